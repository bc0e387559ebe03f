// The cards of what needs someone: which slot, how soon, what to bring, when it may go in, and who is on it.

import * as act from "./act.js";
import { arrange, icon, make, say } from "./dom.js";
import { numbersOf, slotOf } from "./state.js";
import { LEVEL, clock, count, number, range, whatToBring } from "./words.js";

const cards = new Map();

/** Show `notices` in `parent`; cards that stay keep their focus and their last word. */
export function showNotices(parent, notices, keep) {
  const wanted = notices.map((notice) => {
    if (!cards.has(notice.id)) cards.set(notice.id, card(notice.id, keep));
    const own = cards.get(notice.id);
    own.show(notice);
    return own.element;
  });
  const focused = parent.contains(document.activeElement);
  arrange(parent, wanted);
  if (focused && !parent.contains(document.activeElement)) document.getElementById("needs-title").focus();
  const shown = new Set(notices.map((notice) => notice.id));
  for (const id of cards.keys()) if (!shown.has(id)) cards.delete(id);
}

function card(id, keep) {
  let notice = null;
  const part = (name, tag = "p") => make(tag, { class: name });
  const level = part("level");
  const place = part("place", "h3");
  const supply = part("supply");
  const panels = part("panels");
  const when = part("when");
  const facts = part("facts", "dl");
  const status = part("status");
  const said = make("p", { class: "said", role: "status" });

  const tell = (text, bad) => {
    if (text === null) return;
    say(said, text);
    said.classList.toggle("bad", bad);
  };
  const button = (label, does, first = false) => {
    const own = make("button", { type: "button", class: first ? "first" : null }, label);
    act.pressable(own, () => does(notice), tell);
    return own;
  };
  const take = button("I'm on it", (one) => act.take(one, keep.notice), true);
  const load = button("Loaded a new one", (one) => act.load({ ...slotOf(one), ...placeOf(one) }, keep.slot));
  const quiet = button("", (one) => act.quiet(one, keep.notice));
  const close = button("Close…", (one) => act.close(one, keep.notice));
  const buttons = make("div", { class: "buttons" }, take, load, quiet, close);
  const element = make("article", { class: "notice", id: `notice-${id}` },
    level, make("div", { class: "what" }, place, supply), make("div", { class: "soon" }, panels, when),
    facts, status, buttons, said);

  function show(next) {
    notice = next;
    const supplyNotice = notice.kind === "supply";
    element.dataset.level = notice.level;
    element.dataset.state = notice.state;
    if (level.dataset.level !== notice.level) {
      level.dataset.level = notice.level;
      level.replaceChildren(icon(notice.level), LEVEL[notice.level] ?? notice.level);
    }
    showPlace(place, notice);
    say(supply, supplyNotice ? notice.part ?? "part not known" : notice.message);
    showSoon(panels, when, notice);
    showFacts(facts, notice);
    say(status, statusOf(notice));
    take.hidden = notice.state === "taken" || notice.state === "closed";
    load.hidden = !supplyNotice || notice.state === "closed";
    say(quiet, supplyNotice ? `Quiet ${act.QUIET_PANELS} panels` : `Quiet ${act.QUIET_MINUTES} minutes`);
    quiet.hidden = notice.state === "quiet" || notice.state === "closed";
    close.hidden = notice.state === "closed";
  }
  return { element, show };
}

const placeOf = ({ line, station, slot }) => ({ line, station, slot });

function showPlace(place, { line, station, slot }) {
  const where = [slot && station, station && `line ${line}`].filter(Boolean).join(" · ");
  if (place.childElementCount === 0) place.append(make("span", { class: "slot" }), make("span", { class: "where" }));
  say(place.firstElementChild, slot || station || line || "The service");
  say(place.lastElementChild, where);
}

/** The number a person acts on, large; the doubt and the clock below it. */
function showSoon(panels, when, notice) {
  const numbers = numbersOf(notice);
  const spread = numbers.panels_to_empty;
  if (notice.level === "empty" && notice.kind === "supply") {
    if (panels.textContent !== "Out") panels.replaceChildren(make("b", {}, "Out"));
    say(when, "the station waits");
  } else if (spread) {
    if (panels.childElementCount !== 2) panels.replaceChildren(make("b"), " ", make("span"));
    say(panels.firstElementChild, number(spread.p50));
    say(panels.lastElementChild, spread.p50 === 1 ? "panel left" : "panels left");
    const doubt = spread.p05 === spread.p95 ? "" : `${range(spread.p05, spread.p95)} · `;
    say(when, numbers.empty_at ? `${doubt}about ${clock(numbers.empty_at.p50, numbers.as_of)}` : doubt.slice(0, -3));
  } else {
    say(panels, "");
    say(when, `since ${clock(notice.opened_at)}`);
  }
}

function showFacts(facts, notice) {
  const rows = notice.kind !== "supply" ? [] : [
    ["Bring", whatToBring(notice)],
    ["Exchange", notice.boundary_only
      ? "at a panel boundary only: one panel complete, the next not begun"
      : "now, as the machine's manual allows"],
  ];
  const text = rows.flat().join("\n");
  if (facts.dataset.text === text) return;
  facts.dataset.text = text;
  facts.replaceChildren(...rows.map(([name, value]) => make("div", {}, make("dt", {}, name), make("dd", {}, value))));
}

function statusOf(notice) {
  switch (notice.state) {
    case "taken":
      return `${notice.taken_by} is on it`;
    case "quiet": {
      const taken = notice.taken_by ? ` · ${notice.taken_by} is on it` : "";
      if (notice.quiet_panels) return `Quiet for ${count(notice.quiet_panels, "panel")}, unless it gets worse${taken}`;
      return `Quiet until ${notice.quiet_until ? clock(notice.quiet_until) : "it gets worse"}${taken}`;
    }
    case "closed":
      return closedWords(notice);
    default:
      return "";
  }
}

function closedWords({ closed_because: because, closed_by: by, reason }) {
  if (because !== "person") return `Closed: ${because ?? "done"}`;
  return `Closed by ${by ?? "a person"}${reason ? `: ${reason}` : ""}`;
}

/** What a screen reader is told about a changed notice; null when nothing is worth an interruption. */
export function announcement({ notice, before, changed }) {
  if (!changed) return null;
  const place = [notice.station, notice.slot].filter(Boolean).join(" ") || notice.line;
  if (notice.state === "closed") return before && before.state !== "closed" ? `${place}: closed` : null;
  if (before && before.level === notice.level && before.state === notice.state) return null;
  if (notice.state !== "open") return `${place}: ${statusOf(notice)}`;
  const left = notice.panels_to_empty ? `, ${count(notice.panels_to_empty.p50, "panel")} left` : "";
  return `${LEVEL[notice.level] ?? notice.level}: ${place}, ${notice.part ?? notice.message}${left}`;
}

// The cards of what needs someone: which slot, how soon, what to bring, when it may go in, and who is on it.

import * as act from "./act.js";
import { arrange, icon, make, say } from "./dom.js";
import { isMine } from "./inbox.js";
import { many, t } from "./language.js";
import { isQuestion, numbersOf, slotOf } from "./state.js";
import { LEVEL, clock, closedWords, messageOf, number, pageOf, panels as panelsOf, range, whatToBring } from "./words.js";

const shownIn = new WeakMap();

/** Show `notices` in `parent`; cards that stay keep their focus and their last word. */
export function showNotices(parent, notices, keep) {
  if (!shownIn.has(parent)) shownIn.set(parent, new Map());
  const cards = shownIn.get(parent);
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

  const inCard = act.teller(said, say);
  const tell = (text, bad) => {
    inCard(text, bad);
    if (text !== null) afterDrawing(() => said.checkVisibility() || keep.news?.(`${nameOf(notice)}: ${text}`));
  };
  const button = (label, does, first = false) => {
    const own = make("button", { type: "button", class: first ? "first" : null }, label);
    act.pressable(own, () => does(notice), tell);
    return own;
  };
  const slotNow = (one) => ({ ...slotOf(one), ...placeOf(one) });
  const take = button(t("I'm on it"), (one) => act.take(one, keep.notice), true);
  const release = button("", (one) => act.release(one, keep.notice));
  const load = button(t("Loaded a new one"), (one) => act.load(slotNow(one), keep.slot));
  const right = button(t("That's right"), (one) => act.loadUsual(slotNow(one), keep.slot), true);
  const other = button(t("Another quantity"), (one) => act.loadQuantity(slotNow(one), keep.slot));
  const left = button(t("I counted what is left"), (one) => act.counted(slotNow(one), keep.slot));
  const quiet = button("", (one) => act.quiet(one, keep.notice));
  const close = button(t("Close…"), (one) => act.close(one, keep.notice));
  const guided = make("a", { class: "button" }, t("Exchange it"));
  const buttons = make("div", { class: "buttons" }, take, guided, load, right, other, left, quiet, release, close);
  const element = make("article", { class: "notice", id: `notice-${id}` },
    level, make("div", { class: "what" }, place, supply), make("div", { class: "soon" }, panels, when),
    facts, status, buttons, said);

  function show(next) {
    notice = next;
    const supplyNotice = notice.kind === "supply";
    element.dataset.level = levelOf(notice);
    element.dataset.kind = notice.kind;
    element.dataset.state = notice.state;
    element.dataset.whose = notice.state === "taken" && !isMine(notice) ? "another" : "open";
    if (level.dataset.level !== levelOf(notice)) {
      level.dataset.level = levelOf(notice);
      level.replaceChildren(icon(levelOf(notice)), LEVEL[levelOf(notice)] ?? notice.level);
    }
    showPlace(place, notice);
    say(supply, supplyNotice ? notice.part ?? t("part not known") : messageOf(notice));
    showSoon(panels, when, notice);
    showFacts(facts, notice);
    say(status, statusOf(notice));
    say(quiet, supplyNotice ? t("Quiet {n} panels", { n: act.QUIET_PANELS }) : t("Quiet {n} minutes", { n: act.QUIET_MINUTES }));
    showButtons();
  }

  function showButtons() {
    const isOver = notice.state === "closed";
    const asks = isQuestion(notice);
    const focused = buttons.contains(document.activeElement) ? document.activeElement : null;
    const isLink = document.body.dataset.link !== undefined; // it opens the notice, not the slot
    take.hidden = isOver || asks || notice.state === "taken";
    release.hidden = isOver || notice.state !== "taken";
    say(release, isMine(notice) ? t("Give it back") : t("Free it again")); // whoever had it may have gone home
    guided.hidden = isOver || isLink || !GUIDED.includes(notice.kind);
    if (!guided.hidden) guided.href = `/exchange?${new URLSearchParams(placeOf(notice))}`;
    load.hidden = isOver || isLink || notice.kind !== "supply";
    right.hidden = isOver || isLink || !asks || !slotOf(notice)?.assumed;
    other.hidden = left.hidden = isOver || isLink || !asks;
    quiet.hidden = isOver || asks || notice.state === "quiet";
    close.hidden = isOver;
    if (focused?.hidden) [...buttons.children].find((each) => !each.hidden)?.focus();
  }
  return { element, show };
}

/** Kinds of notices that an exchange ends. */
const GUIDED = ["supply", "wrong part"];

/** What was said in a card that went away with it is said above the cards. */
const afterDrawing = (then) => requestAnimationFrame(() => requestAnimationFrame(then));

/** A notice in a word or two. */
export const nameOf = ({ station, slot, line }) => [station, slot].filter(Boolean).join(" ") || line || t("The service");

/** A question is calm whatever its level. */
const levelOf = (notice) => (isQuestion(notice) ? "question" : notice.level);
const placeOf = ({ line, station, slot }) => ({ line, station, slot });

/** The slot, large, as the link to its page. */
function showPlace(place, notice) {
  const { line, station, slot } = notice;
  const where = [slot && station, station && t("line {line}", { line })].filter(Boolean).join(" · ");
  if (place.childElementCount === 0) {
    const names = [make("span", { class: "slot" }), make("span", { class: "where" })];
    const page = slot ? pageOf(notice) : notice.kind === "promise" ? "/record" : null;
    place.append(page ? make("a", { href: page }, ...names) : make("span", {}, ...names));
  }
  const [name, rest] = place.firstElementChild.children;
  say(name, slot || station || line || (notice.kind === "promise" ? t("The warnings") : t("The service")));
  say(rest, where);
}

/** The number a person acts on, large; the doubt and the clock below it. */
function showSoon(panels, when, notice) {
  const numbers = numbersOf(notice);
  const spread = numbers.panels_to_empty;
  if (notice.level === "empty" && notice.kind === "supply") {
    if (panels.textContent !== t("Out")) panels.replaceChildren(make("b", {}, t("Out")));
    say(when, t("the station waits"));
  } else if (spread && !isQuestion(notice) && notice.kind !== "wrong part") {
    if (panels.childElementCount !== 2) panels.replaceChildren(make("b"), " ", make("span"));
    say(panels.firstElementChild, number(spread.p50));
    say(panels.lastElementChild, many(spread.p50, "panel left", "panels left"));
    const doubt = spread.p05 === spread.p95 ? "" : `${range(spread.p05, spread.p95)} · `;
    const about = numbers.empty_at && t("about {clock}", { clock: clock(numbers.empty_at.p50, numbers.as_of) });
    say(when, about ? doubt + about : doubt.slice(0, -3));
  } else {
    say(panels, "");
    say(when, t("since {clock}", { clock: clock(notice.opened_at) }));
  }
}

function showFacts(facts, notice) {
  const rows = notice.kind !== "supply" ? [] : [
    [t("Bring"), whatToBring(notice)],
    [t("Exchange"), notice.boundary_only
      ? t("at a panel boundary only")
      : t("now, as the machine's manual allows")],
  ];
  if (notice.state === "open" && notice.hears?.length) rows.push([t("Told"), toldWords(notice)]);
  const text = rows.flat().join("\n");
  if (facts.dataset.text === text) return;
  facts.dataset.text = text;
  facts.replaceChildren(...rows.map(([name, value]) => make("div", {}, make("dt", {}, name), make("dd", {}, value))));
}

/** Who knows of it already: nobody needs to call them. */
function toldWords({ hears, reminded = 0 }) {
  return [hears.join(", "), reminded > 0 && many(reminded, "said again once", "said again {n} times")].filter(Boolean).join("; ");
}

export function statusOf(notice) {
  switch (notice.state) {
    case "taken":
      return notice.reason ? "" : takenWords(notice); // its message says who answers for it
    case "quiet":
      return [quietWords(notice), notice.taken_by && takenWords(notice)].filter(Boolean).join(" · ");
    case "closed":
      return [closedWords(notice), notice.kind === "wrong part" && notice.reason && takenWords(notice)].filter(Boolean).join(" · ");
    default:
      return "";
  }
}

/** A wrong part that somebody answers for is nobody's work. */
const takenWords = ({ taken_by: person, reason }) =>
  (reason ? t("Accepted by {person}: {reason}", { person, reason }) : t("{person} is on it", { person }));

function quietWords({ quiet_panels: panels, quiet_until: until }) {
  if (panels) return t("Quiet for {panels}, unless it gets worse", { panels: panelsOf(panels) });
  return until ? t("Quiet until {clock}", { clock: clock(until) }) : t("Quiet until it gets worse");
}

/** What a screen reader is told about a changed notice; null when nothing is worth an interruption. */
export function announcement({ notice, before, changed }) {
  if (!changed) return null;
  const place = nameOf(notice);
  if (notice.state === "closed") return before && before.state !== "closed" ? t("{place}: closed", { place }) : null;
  if (before && before.level === notice.level && before.state === notice.state) return null;
  if (notice.state !== "open") return `${place}: ${statusOf(notice)}`;
  if (isQuestion(notice)) return t("Question: {message}", { message: messageOf(notice) });
  const left = notice.panels_to_empty
    ? `, ${many(notice.panels_to_empty.p50, "{n} panel left", "{n} panels left")}` : "";
  return `${LEVEL[notice.level] ?? notice.level}: ${place}, ${(notice.kind === "supply" && notice.part) || messageOf(notice)}${left}`;
}

// What is over: the last closed notices by day, newest first, with how long they stood, who was on them and
// why they were closed.

import { get } from "./api.js";
import { icon, make, say } from "./dom.js";
import { many, t } from "./language.js";
import { isQuestion } from "./state.js";
import { LEVEL, age, clock, closedWords, dayInWords, messageOf, pageOf } from "./words.js";
import "./switch.js";

const PAGE = 50;
const byId = (id) => document.getElementById(id);
const line = new URLSearchParams(location.search).get("line");
const more = make("button", { type: "button", hidden: true, click: fetchMore }, t("Show older ones"));
const days = new Map();
let last = null;
let shown = 0;

async function fetchMore() {
  more.setAttribute("aria-busy", "true");
  try {
    const query = new URLSearchParams({ state: "closed", limit: PAGE, ...(line && { line }), ...(last && { after: last }) });
    const notices = await get(`/notices?${query}`);
    const rows = notices.map(place);
    if (shown > 0) rows[0]?.querySelector("a").focus();
    last = notices.at(-1)?.id ?? last;
    shown += notices.length;
    say(byId("calm"), shown ? "" : t("Nothing is over yet, as far as is remembered."));
    say(byId("said"), many(shown, "{n} is shown.", "{n} are shown.") + (notices.length < PAGE ? ` ${t("That is all.")}` : ""));
    more.hidden = notices.length < PAGE;
  } catch (failure) {
    say(byId("calm"), "");
    say(byId("said"), failure.message);
    more.hidden = false; // pressed again it asks again
  }
  more.removeAttribute("aria-busy");
}

/** Put a notice under the day on which it opened. */
function place(notice) {
  const name = dayInWords(notice.opened_at);
  if (!days.has(name)) {
    days.set(name, make("ul", { class: "past" }));
    byId("history").append(make("section", {}, make("h3", {}, name), days.get(name)));
  }
  const own = row(notice);
  days.get(name).append(own);
  return own;
}

function row(notice) {
  const level = isQuestion(notice) ? "question" : notice.level;
  const where = [notice.station, notice.slot].filter(Boolean).join(" ") || notice.line || t("The service");
  const rest = [
    notice.line && where !== notice.line && t("line {line}", notice),
    notice.kind === "supply" ? notice.part ?? t("part not known") : messageOf(notice),
    stood(notice),
    notice.taken_by && t("{person} was on it", { person: notice.taken_by }),
    closedWords(notice),
  ].filter(Boolean);
  const page = notice.slot ? pageOf(notice) : `/notice/${encodeURIComponent(notice.id)}`;
  return make("li", {}, make("a", { href: page },
    icon(level), make("b", {}, where), make("span", {}, LEVEL[level] ?? level), make("span", { class: "rest" }, rest.join(" · "))));
}

/** `07:14 to 07:21 (7 min)` */
function stood({ opened_at: opened, closed_at: closed }) {
  if (!closed) return clock(opened);
  const seconds = (Date.parse(closed) - Date.parse(opened)) / 1000;
  return t("{from} to {to} ({long})", { from: clock(opened), to: clock(closed, opened), long: age(Math.max(0, seconds)) });
}

byId("more").append(more);
fetchMore();

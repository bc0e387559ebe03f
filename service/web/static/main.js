// The first page and the page of one notice: what is heard goes into the state, once a frame it is shown.

import { get, path } from "./api.js";
import { arrange, make, say } from "./dom.js";
import { follow } from "./live.js";
import { showNotices } from "./notices.js";
import { road } from "./road.js";
import { condition, onceAFrame, tellOf } from "./shell.js";
import * as state from "./state.js";
import { stations } from "./stations.js";
import { clock, count } from "./words.js";

const only = new URLSearchParams(location.search).get("line");
const single = document.body.dataset.notice ?? null;
const byId = (id) => document.getElementById(id);
const sections = new Map();

const keep = {
  slot(slot) { state.hearSlot(slot); shown(); },
  notice(notice) { told([{ notice, ...state.hearNotice(notice) }]); shown(); },
};

const shown = onceAFrame(() => {
  if (single) {
    showNotices(byId("notices"), [state.notices.get(single)].filter(Boolean), keep);
    return;
  }
  showWhatNeedsSomeone();
  showLines();
});

function showWhatNeedsSomeone() {
  const notices = state.noticesInOrder(only);
  const questions = state.questionsInOrder(only);
  showNotices(byId("notices"), notices, keep);
  showNotices(byId("questions"), questions, keep);
  byId("asked").hidden = questions.length === 0;
  byId("calm").hidden = notices.length > 0;
  byId("caution").hidden = notices.length === 0;
  if (notices.length === 0) say(byId("calm"), calmWords());
}

/** What comes next when nothing needs anyone: silence should show that it is meant. */
function calmWords() {
  const next = [...state.lines.keys()]
    .filter((line) => !only || line === only)
    .map((line) => state.slotsInOrder(line).find((slot) => slot.panels_to_empty))
    .filter(Boolean)
    .sort((a, b) => a.panels_to_empty.p50 - b.panels_to_empty.p50)[0];
  if (!next) return "Nothing. No slot has a forecast yet.";
  const when = next.empty_at ? `, about ${clock(next.empty_at.p50, next.as_of)}` : "";
  return `Nothing. Next is ${next.station} ${next.slot} in ${count(next.panels_to_empty.p50, "panel")}${when}.`;
}

function showLines() {
  const rows = [...state.lines.values()].filter((row) => !only || row.line === only);
  arrange(byId("lines"), rows.length ? rows.map(showLine) : [nothingHeard()]);
}

function showLine(row) {
  if (!sections.has(row.line)) sections.set(row.line, lineSection(row.line));
  const own = sections.get(row.line);
  const now = state.nowOf(row.line);
  say(own.order, orderWords(row));
  own.stations.show(row, now);
  own.road.show(state.slotsInOrder(row.line), now, state.taktOf(row.line));
  own.other.hidden = only === null && state.lines.size === 1;
  return own.element;
}

function lineSection(line) {
  const order = make("p", { class: "order" });
  const other = only
    ? make("a", { href: "/", class: "button" }, "All lines")
    : make("a", { href: `/?line=${encodeURIComponent(line)}`, class: "button" }, "Only this line");
  const parts = { order, other, stations: stations(), road: road(line, shown) };
  const heading = make("div", { class: "heading" }, make("h2", {}, `Line ${line}: the road ahead`), other, order);
  return { ...parts, element: make("section", {}, heading, parts.stations.element, parts.road.element) };
}

function orderWords({ order, queued = [] }) {
  if (!order) return "No order heard of: every slot counts to its end.";
  const size = order.panels === null ? "" : ` of ${count(order.panels, "panel")}`;
  const then = queued.length ? ` · then ${queued.join(", ")}` : "";
  return `Order ${order.order}${size}, ${order.state}${order.recipe ? ` · recipe ${order.recipe}` : ""}${then}`;
}

function nothingHeard() {
  const words = only
    ? `Nothing was heard of line ${only} yet.`
    : "No line was heard of yet. It appears here with its first count.";
  return make("p", { class: "calm" }, words);
}

function told(changes) {
  tellOf(changes, state.noticesInOrder(only).filter((notice) => notice.state === "open").length);
}

/** A notice's own page shows it even when it is closed, which the list of open ones doesn't. */
const also = single && (async () => [await get(path("notices", single)).catch(() => null)].filter(Boolean));

follow({ line: only, also, shown, told, condition });

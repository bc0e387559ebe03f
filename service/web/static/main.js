// Puts the page together: what is heard goes into the state, and once a frame the state is shown.

import { changeName, knownName } from "./ask.js";
import { arrange, make, say } from "./dom.js";
import { follow } from "./live.js";
import { announcement, showNotices } from "./notices.js";
import { road } from "./road.js";
import * as state from "./state.js";
import { stations } from "./stations.js";
import { age, clock, count, number } from "./words.js";

const only = new URLSearchParams(location.search).get("line");
const single = document.body.dataset.notice ?? null;
const byId = (id) => document.getElementById(id);
const sections = new Map();
const title = document.title;
let drawing = false;

const keep = {
  slot(slot) { state.hearSlot(slot); shown(); },
  notice(notice) { told([{ notice, ...state.hearNotice(notice) }]); shown(); },
};

function shown() {
  if (drawing) return;
  drawing = true;
  requestAnimationFrame(() => {
    drawing = false;
    showWhatNeedsSomeone();
    if (!single) showLines();
  });
}

function showWhatNeedsSomeone() {
  const notices = single ? [state.notices.get(single)].filter(Boolean) : state.noticesInOrder(only);
  showNotices(byId("notices"), notices, keep);
  if (single) return;
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
  own.road.show(state.slotsInOrder(row.line), now, taktOf(row));
  own.other.hidden = only === null && state.lines.size === 1;
  return own.element;
}

function lineSection(line) {
  const order = make("p", { class: "order" });
  const other = only
    ? make("a", { href: "/", class: "button" }, "All lines")
    : make("a", { href: `/?line=${encodeURIComponent(line)}`, class: "button" }, "Only this line");
  const parts = { order, other, stations: stations(), road: road(line, keep, shown) };
  const heading = make("div", { class: "heading" }, make("h2", {}, `Line ${line}: the road ahead`), other, order);
  return { ...parts, element: make("section", {}, heading, parts.stations.element, parts.road.element) };
}

function orderWords({ order, queued = [] }) {
  if (!order) return "No order heard of: every slot counts to its end.";
  const size = order.panels === null ? "" : ` of ${count(order.panels, "panel")}`;
  const then = queued.length ? ` · then ${queued.join(", ")}` : "";
  return `Order ${order.order}${size}, ${order.state}${order.recipe ? ` · recipe ${order.recipe}` : ""}${then}`;
}

/** The line is as fast as its slowest station. */
function taktOf(row) {
  return Math.max(0, ...row.stations.map((station) => station.takt_seconds ?? 0)) || null;
}

function nothingHeard() {
  const words = only
    ? `Nothing was heard of line ${only} yet.`
    : "No line was heard of yet. It appears here with its first count.";
  return make("p", { class: "calm" }, words);
}

function told(changes) {
  const words = changes.map(announcement).filter(Boolean);
  const heardBefore = byId("freshness").dataset.state !== "starting";
  if (words.length && heardBefore) say(byId("announce"), words.join(". "));
  const open = state.noticesInOrder(only).filter((notice) => notice.state === "open").length;
  document.title = open ? `(${number(open)}) ${title}` : title;
}

/** How fresh everything is. Only a change of state is announced; the age just counts. */
function condition({ state: now, age: seconds }) {
  const own = byId("freshness");
  if (now !== "lost" && seconds === null) return;
  const old = seconds === null ? "Nothing was heard yet" : `What you see is ${age(seconds)} old`;
  say(own.querySelector(".words"), {
    live: "Live",
    polling: "Fetched every 10 s",
    lost: `Not connected. ${old}. Trying again.`,
  }[now]);
  if (own.dataset.state === now) return;
  if (now === "lost") say(byId("announce"), "Not connected. What you see gets old.");
  else if (own.dataset.state === "lost") say(byId("announce"), "Connected again.");
  own.dataset.state = now;
  document.body.dataset.connection = now;
}

function showYou() {
  const name = knownName();
  const change = make("button", { type: "button", click: async () => { await changeName(); showYou(); } },
    name ? "That isn't me" : "Say who you are");
  byId("you").replaceChildren(name ? `You are ${name}.` : "Nobody has said who they are on this device.", " ", change);
}

showYou();
window.addEventListener("storage", showYou);
window.addEventListener("named", showYou);
follow({ line: only, single, shown, told, condition });

// The first page and the page of one notice: what is heard goes into the state, once a frame it is shown.

import { get, path } from "./api.js";
import { beside } from "./beside.js";
import { arrange, make, say } from "./dom.js";
import { fits, inbox, isMine, whyNothing } from "./inbox.js";
import { many, t } from "./language.js";
import { follow } from "./live.js";
import { showNotices } from "./notices.js";
import { showQuiet } from "./quiet.js";
import { road } from "./road.js";
import { condition, onceAFrame, tellOf } from "./shell.js";
import { ring, soundSwitch } from "./sound.js";
import * as state from "./state.js";
import { stations } from "./stations.js";
import { clock, panels } from "./words.js";

const only = new URLSearchParams(location.search).get("line");
const single = document.body.dataset.notice ?? null;
const byId = (id) => document.getElementById(id);
const sections = new Map();
const choice = single ? null : inbox(() => shown());
byId("inbox")?.append(choice.element, soundSwitch());

const plans = beside((line) => get(path("lines", line, "plan")), () => shown());

const keep = {
  slot(slot) { state.hearSlot(slot); shown(); },
  notice(notice) { told([{ notice, ...state.hearNotice(notice) }]); shown(); },
  news(words) { say(byId("news"), words); },
};

const shown = onceAFrame(() => {
  if (single) {
    showNotices(byId("notices"), [state.notices.get(single)].filter(Boolean), keep);
    return;
  }
  showWhatNeedsSomeone();
  showLines();
});

/** What calls for somebody, then what I am on, then what others are on; what is quiet lies folded below. */
function showWhatNeedsSomeone() {
  const all = state.noticesInOrder(only);
  const loud = all.filter((notice) => notice.state !== "quiet");
  const wanted = loud.filter(fits);
  const whose = (notice) => (notice.state !== "taken" ? 0 : isMine(notice) ? 1 : 2);
  choice.show(loud);
  showNotices(byId("notices"), wanted.sort((a, b) => whose(a) - whose(b)), keep);
  showQuiet(byId("resting"), all.filter((notice) => notice.state === "quiet" && fits(notice)), keep);
  const questions = state.questionsInOrder(only).filter(fits);
  showNotices(byId("questions"), questions, keep);
  byId("asked").hidden = questions.length === 0;
  byId("calm").hidden = wanted.length > 0;
  byId("caution").hidden = wanted.length === 0;
  if (wanted.length === 0) say(byId("calm"), whyNothing() || calmWords());
  say(byId("elsewhere"), elsewhere(loud.filter((notice) => !fits(notice) && notice.state === "open")));
}

/** A choice must not hide that somebody is needed. */
function elsewhere(others) {
  if (others.length === 0) return "";
  const words = many(others.length, "{n} more that nobody is on isn't shown", "{n} more that nobody is on aren't shown");
  const empty = others.filter((notice) => notice.level === "empty").length;
  return empty ? `${words}, ${many(empty, "{n} of them empty", "{n} of them empty")}.` : `${words}.`;
}

/** What comes next when nothing needs anyone: silence should show that it is meant. */
function calmWords() {
  const next = [...state.lines.keys()]
    .filter((line) => !only || line === only)
    .map((line) => state.slotsInOrder(line).find((slot) => slot.panels_to_empty))
    .filter(Boolean)
    .sort((a, b) => a.panels_to_empty.p50 - b.panels_to_empty.p50)[0];
  if (!next) return t("Nothing. No slot has a forecast yet.");
  const far = { place: `${next.station} ${next.slot}`, panels: panels(next.panels_to_empty.p50) };
  if (!next.empty_at) return t("Nothing. Next is {place} in {panels}.", far);
  return t("Nothing. Next is {place} in {panels}, about {clock}.", { ...far, clock: clock(next.empty_at.p50, next.as_of) });
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
  own.road.show(state.slotsInOrder(row.line), now, state.taktOf(row.line), plans.known.get(row.line));
  own.other.hidden = only === null && state.lines.size === 1;
  return own.element;
}

function lineSection(line) {
  const order = make("p", { class: "order" });
  const other = only
    ? make("a", { href: "/", class: "button" }, t("All lines"))
    : make("a", { href: `/?line=${encodeURIComponent(line)}`, class: "button" }, t("Only this line"));
  const parts = { order, other, stations: stations(), road: road(line, shown) };
  const heading = make("div", { class: "heading" }, make("h2", {}, t("Line {line}: the road ahead", { line })), other, order);
  return { ...parts, element: make("section", {}, heading, parts.stations.element, parts.road.element) };
}

const ORDER = {
  queued: t("queued"), running: t("running"), finished: t("finished"), withdrawn: t("withdrawn"),
};

function orderWords({ order, queued = [] }) {
  if (!order) return t("No order heard of: every slot counts to its end.");
  const about = { order: order.order, state: ORDER[order.state] ?? order.state };
  return [
    order.panels === null
      ? t("Order {order}, {state}", about)
      : t("Order {order} of {panels}, {state}", { ...about, panels: panels(order.panels) }),
    order.recipe && t("recipe {recipe}", order),
    queued.length > 0 && t("then {orders}", { orders: queued.join(", ") }),
  ].filter(Boolean).join(" · ");
}

function nothingHeard() {
  const words = only
    ? t("Nothing was heard of line {line} yet.", { line: only })
    : t("No line was heard of yet. It appears here with its first count.");
  return make("p", { class: "calm" }, words);
}

function told(changes) {
  const open = state.noticesInOrder(only).filter((notice) => notice.state === "open" && (single || fits(notice)));
  const concern = changes.filter(({ notice }) => single || (fits(notice) && (!only || (notice.line ?? only) === only)));
  if (byId("freshness").dataset.state !== "starting") ring(concern); // what was open before we came is on the page
  tellOf(concern, open.length);
}

/** A notice's own page shows it even when it is closed, which the list of open ones doesn't. */
const also = single && (async () => [await get(path("notices", single)).catch(() => null)].filter(Boolean));

function heard() {
  if (!single) plans.news([...state.lines.keys()].filter((line) => !only || line === only));
  shown();
}

follow({ line: only, also, shown: heard, told, condition, events: { plan: (plan) => plans.put(plan.line, plan) } });

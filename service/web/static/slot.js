// The page of one slot: live like the first page, with the reasons fetched again whenever its number moved.

import { get, path } from "./api.js";
import { beside } from "./beside.js";
import { arrange, icon, make } from "./dom.js";
import { showFed } from "./fed.js";
import { follow } from "./live.js";
import { showNotices, statusOf } from "./notices.js";
import { sheet } from "./sheet.js";
import { condition, onceAFrame, tellOf } from "./shell.js";
import * as state from "./state.js";
import { LEVEL, clock } from "./words.js";

const PAST = 10;
const REASONS_MS = 1500;
const ALL_STATES = ["open", "taken", "quiet", "closed"].map((each) => `&state=${each}`).join("");
const { line, station, slot } = document.body.dataset;
const own = path("lines", line, "stations", station, "slots", slot);
const query = new URLSearchParams({ line, station, slot, limit: 2 * PAST });
const byId = (id) => document.getElementById(id);
let reasons = null;
let reasonsFor = null;
let waiting = false;

const plans = beside(() => get(path("lines", line, "plan")), () => shown());

const keep = {
  slot(next) { state.hearSlot(next); shown(); },
  notice(notice) { told([{ notice, ...state.hearNotice(notice) }]); shown(); },
};
const names = ["part", "panels", "when", "tags", "road", "left", "life", "tray", "why", "acts"];
const shown = onceAFrame(() => {
  const here = state.slotOf({ line, station, slot });
  if (!here) return;
  view.show(here, reasons, { now: state.nowOf(line), takt: state.taktOf(line), plan: plans.known.get(line) ?? null });
  showItsNotices();
  showFed(byId("fed"), { line, station, slot }, here);
  byId("sheet").hidden = false;
  if (here !== reasonsFor) fetchReasonsSoon();
});
const view = sheet(Object.fromEntries(names.map((name) => [name, byId(name)])), keep, shown);

const isHere = (notice) => notice.line === line && notice.station === station && notice.slot === slot;

function showItsNotices() {
  const open = [...state.noticesInOrder(line), ...state.questionsInOrder(line)].filter(isHere);
  showNotices(byId("notices"), open, keep);
  byId("calm").hidden = open.length > 0;
  const past = [...state.notices.values()].filter((notice) => isHere(notice) && notice.state === "closed")
    .sort((a, b) => (a.opened_at < b.opened_at ? 1 : -1)).slice(0, PAST);
  byId("past-title").hidden = past.length === 0;
  arrange(byId("past"), past.map(pastRow));
}

const rows = new Map();

function pastRow(notice) {
  if (!rows.has(notice.id) || rows.get(notice.id).version !== notice.version) {
    const level = state.isQuestion(notice) ? "question" : notice.level;
    const element = make("li", {}, make("a", { href: `/notice/${encodeURIComponent(notice.id)}` },
      icon(level), make("b", {}, LEVEL[level] ?? level), ` ${clock(notice.opened_at, state.nowOf(line))} · ${statusOf(notice)}`));
    rows.set(notice.id, { version: notice.version, element });
  }
  return rows.get(notice.id).element;
}

/** The slot with its reasons; what is told of it beside them is what they are the reasons for. */
async function fetchReasons() {
  const detail = await get(own);
  reasons = detail.why;
  state.hearSlot(detail);
  reasonsFor = state.slotOf(detail);
}

function fetchReasonsSoon() {
  if (waiting) return;
  waiting = true;
  setTimeout(async () => {
    await fetchReasons().catch(() => null); // the connection's own watch says that it is lost
    waiting = false;
    shown();
  }, REASONS_MS);
}

async function also() {
  const [notices] = await Promise.all([get(`/notices?${query}${ALL_STATES}`), fetchReasons()]);
  return notices;
}

function told(changes) {
  const mine = changes.filter(({ notice }) => isHere(notice));
  tellOf(mine, state.noticesInOrder(line).filter((notice) => isHere(notice) && notice.state === "open").length);
}

function heard() {
  plans.news([line]);
  shown();
}

follow({ line, also, shown: heard, told, condition, events: { plan: (plan) => plans.put(plan.line, plan) } });

// The page of an exchange, step by step: which slot, what it wants and asks, right or wrong, done, and the next.

import { get, path, post } from "./api.js";
import { who, whyAllTheSame } from "./ask.js";
import { doneView } from "./done.js";
import { make } from "./dom.js";
import { guideView } from "./guide.js";
import { t } from "./language.js";
import { follow } from "./live.js";
import { only } from "./mine.js";
import { pickView } from "./pick.js";
import { condition, onceAFrame } from "./shell.js";
import * as state from "./state.js";
import { verdictView } from "./verdict.js";

const LOOK_MS = 4000;
const stage = document.getElementById("stage");
const keyOf = ({ line, station, slot }) => `${line}/${station}/${slot}`;
const done = new Set();
const plans = new Map();
let view = null;
let here = null;
let wants = null;
let way = null;

const own = (slot) => path("lines", slot.line, "stations", slot.station, "slots", slot.slot);
const shown = onceAFrame(() => view?.show?.());

/** Show a step; its heading gets the focus, so that a screen reader says where one is. */
function go(next) {
  view?.stop?.();
  view = next;
  stage.replaceChildren(next.element);
  next.show?.();
  next.element.querySelector("h2").focus({ preventScroll: true });
  scrollTo(0, 0);
}

/** Each step that is about a slot has an address, so that the way back and a link work. */
function address(slot) {
  const query = new URLSearchParams(slot ? { line: slot.line, station: slot.station, slot: slot.slot } : only ? { line: only } : {});
  const next = `${location.pathname}${query.size ? `?${query}` : ""}`;
  if (next !== location.pathname + location.search) history.pushState(null, "", next);
}

function pick() {
  here = wants = way = null;
  go(pickView({ only, plans, done, open: (slot) => { address(slot); open(slot); } }));
}

async function open(slot) {
  here = slot;
  way = null;
  try {
    wants = await get(`${own(slot)}/exchange`);
  } catch (failure) {
    here = null;
    go(lost(slot, failure));
    return;
  }
  if (here !== slot) return;
  askPlan(slot.line);
  guide();
}

function guide(news = "") {
  const slot = here;
  const elsewhere = () => { address(null); pick(); };
  go(guideView(wants, { heard: (text) => heard(slot, text), undo, back: elsewhere, planned: () => stopOf(slot), way, news }));
}

/** What a label says, judged by the service; another slot's own code opens that one. */
async function heard(slot, label) {
  const other = [...state.slots.values()].find((each) => keyOf(each) === label.trim());
  if (other) {
    address(other);
    return open(other);
  }
  const by = await who();
  if (!by) return undefined;
  way = view.way?.() ?? way;
  const check = await post(`${own(slot)}/check`, { by, label });
  const given = { id: newId(), change: way, by }; // pressed again after a lost answer it is the same exchange
  if (here === slot) go(verdictView(check, { ...wants, way }, {
    again: () => guide(), load: (more) => load(slot, check, { ...given, ...more }), anyway: (more) => anyway(slot, check, { ...given, ...more }),
  }));
  return undefined;
}

const newId = () => Array.from(crypto.getRandomValues(new Uint8Array(12)), (byte) => byte.toString(16).padStart(2, "0")).join("");

async function anyway(slot, check, given) {
  const reason = await whyAllTheSame({ part: check.read.part, wanted: check.wanted.part });
  return reason ? load(slot, check, { ...given, reason }) : null;
}

async function load(slot, check, given) {
  const { part, supply, moisture_level } = check.read;
  const body = { guided: true, part, supply, moisture_level, kind: wants.kind, ...given };
  const loaded = await post(`${own(slot)}/supply`, Object.fromEntries(Object.entries(body).filter(([, value]) => value !== null && value !== "")));
  state.hearSlot(loaded);
  done.add(keyOf(slot));
  askPlan(slot.line); // what is next shows when it is there
  go(doneView({ slot, check, given, until: Date.now() + 60_000 }, {
    undo: () => undo(given.id), next: () => nextOf(slot), open: (next) => { address(next); open(next); }, other: () => { address(null); pick(); },
  }));
  return null;
}

/** Back to before the exchange, where that is still possible. */
async function undo(event) {
  const slot = here;
  const by = await who();
  if (!by) return null;
  state.hearSlot(await post(`${own(slot)}/supply`, { change: "undone", undoes: event, by }));
  done.delete(keyOf(slot));
  wants = await get(`${own(slot)}/exchange`);
  guide(t("Undone: the slot is as it was before."));
  return null;
}

async function askPlan(line) {
  const plan = await get(path("lines", line, "plan")).catch(() => null);
  if (plan) plans.set(line, plan);
  shown();
}

/** The next slot that the plan names: of the same stop first, then what can be done meanwhile. */
function nextOf({ line }) {
  const plan = plans.get(line);
  const named = plan ? [...(plan.stops[0]?.exchanges ?? []), ...plan.meanwhile] : [];
  const next = named.find((each) => !done.has(keyOf({ line, ...each })));
  return next ? { line, station: next.station, slot: next.slot, part: next.part } : null;
}

/** The stop in which the plan has the slot exchanged. */
const stopOf = (slot) => plans.get(slot.line)?.stops.find((stop) => stop.exchanges.some((each) => keyOf({ line: slot.line, ...each }) === keyOf(slot)));

function lost(slot, failure) {
  const back = make("button", { type: "button", class: "first", click: () => { address(null); pick(); } }, t("Choose another slot"));
  return { element: make("section", {}, make("h2", { tabindex: "-1" }, `${slot.station} ${slot.slot}`), make("p", { class: "alarm" }, failure.message), make("div", { class: "buttons" }, back)) };
}

function fromAddress() {
  const query = new URLSearchParams(location.search);
  const [line, station, slot] = ["line", "station", "slot"].map((name) => query.get(name));
  if (line && station && slot) open({ line, station, slot });
  else pick();
}

/** The boundary moves with every panel: what is said of it is asked for again while somebody looks. */
setInterval(async () => {
  const slot = here;
  if (document.hidden || !slot || !view?.boundary) return;
  const next = await get(`${own(slot)}/exchange`).catch(() => null); // the connection's own watch says that it is lost
  if (next && here === slot) {
    wants = next;
    view?.boundary?.(next);
  }
}, LOOK_MS);

window.addEventListener("popstate", fromAddress);
follow({
  line: only,
  shown: () => {
    for (const line of only ? [only] : state.lines.keys()) if (!plans.has(line) && !here) askPlan(line);
    shown();
  },
  told: () => null,
  condition,
});
fromAddress();

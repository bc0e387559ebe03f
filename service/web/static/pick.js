// Which slot: soonest first, or by the slot's own code.

import { arrange, icon, make, say } from "./dom.js";
import { many, t } from "./language.js";
import { lineChoice } from "./mine.js";
import { scanner } from "./scan.js";
import * as state from "./state.js";
import { number, signOf, whyUnknown } from "./words.js";

const MOST = 8;
const keyOf = ({ line, station, slot }) => `${line}/${station}/${slot}`;

/** `open(slot)` is called with the one that was chosen. */
export function pickView({ only, plans, done, open }) {
  const choice = lineChoice();
  const code = scanner((text) => open(named(text, only)), { label: t("The slot's code") });
  const calm = make("p", { class: "calm" }, t("Asking the line…"));
  const list = make("ol", { class: "pick" });
  const rest = make("ol", { class: "pick" });
  const more = make("details", { class: "resting", hidden: true }, make("summary", {}, t("More slots")), rest);
  const rows = new Map();
  const element = make("section", { "aria-labelledby": "pick-title" },
    make("h2", { id: "pick-title", tabindex: "-1" }, t("Which slot is exchanged?")), choice.element, calm, list, more, code.element);

  function show() {
    choice.show([...state.lines.keys()]);
    const slots = (only ? [only] : [...state.lines.keys()]).flatMap((line) => state.slotsInOrder(line));
    const planned = new Set([...plans].flatMap(([line, plan]) => (plan.stops[0]?.exchanges ?? []).map((each) => keyOf({ line, ...each }))));
    slots.sort((one, other) => far(one) - far(other));
    calm.hidden = slots.length > 0;
    if (!slots.length && state.lines.size) say(calm, t("No slot was heard of yet. It appears here with its first count."));
    const made = slots.map((slot) => rowOf(slot, planned.has(keyOf(slot)), done.has(keyOf(slot))));
    arrange(list, made.slice(0, MOST));
    arrange(rest, made.slice(MOST));
    more.hidden = made.length <= MOST;
  }

  function rowOf(slot, planned, isDone) {
    const key = keyOf(slot);
    if (!rows.has(key)) rows.set(key, row(slot, open, only));
    rows.get(key).show(slot, planned, isDone);
    return rows.get(key).element;
  }
  return { element, show, stop: code.stop };
}

const far = (slot) => (slot.state === "empty" ? -1 : slot.state === "idle" ? Infinity : slot.panels_to_empty?.p50 ?? 1e12);

function row(slot, open, only) {
  const name = make("b", { class: "slot" }, slot.slot);
  const where = make("span", { class: "where" }, only ? slot.station : `${slot.station} · ${t("line {line}", { line: slot.line })}`);
  const part = make("span", { class: "part" });
  const left = make("span", { class: "soon" });
  const tag = make("span", { class: "tag" });
  const button = make("button", { type: "button", click: () => open(slot) }, make("span", { class: "who" }, name, where, part, tag), left);

  function show(next, planned, isDone) {
    say(part, next.part ?? t("part not known"));
    const panels = next.panels_to_empty?.p50;
    const words = next.state === "empty" ? t("Out") : panels === undefined ? whyUnknown(next) : many(panels, "{n} panel left", "{n} panels left");
    if (left.dataset.words !== words + next.state) {
      left.dataset.words = words + next.state;
      left.replaceChildren(icon(signOf(next.state)), next.state === "empty" || panels === undefined
        ? words : make("span", {}, make("b", {}, number(panels)), ` ${many(panels, "panel left", "panels left")}`));
    }
    say(tag, isDone ? t("exchanged just now") : planned ? t("in the next stop") : "");
  }
  return { element: make("li", {}, button), show };
}

/** The slot that a code means: `line/station/slot`, `station/slot` or the slot's name where only one is called so. */
function named(text, only) {
  const asked = text.trim();
  const all = [...state.slots.values()];
  const found = all.filter((slot) => keyOf(slot) === asked || ((!only || slot.line === only)
    && [`${slot.station}/${slot.slot}`, `${slot.station} ${slot.slot}`, slot.slot].includes(asked)));
  const exact = found.filter((slot) => keyOf(slot) === asked);
  const slots = exact.length ? exact : found;
  if (slots.length === 1) return slots[0];
  throw new Error(slots.length
    ? t("Several slots are called {slot}: choose one, or scan line/station/slot.", { slot: asked })
    : t("No slot is called {slot}.", { slot: asked.slice(0, 40) }));
}

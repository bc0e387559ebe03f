// How numbers, times and things are said. One place, so that the page speaks with one voice.

import { locale, many, number, t } from "./language.js";

export { number };

const zone = document.body.dataset.timezone;

function formatter(options) {
  const common = { ...options, hourCycle: options.hour && "h23" };
  try {
    return new Intl.DateTimeFormat(locale, { ...common, timeZone: zone });
  } catch {
    return new Intl.DateTimeFormat(locale, common); // a zone this browser doesn't know
  }
}

const hourMinute = formatter({ hour: "2-digit", minute: "2-digit" });
const withSeconds = formatter({ hour: "2-digit", minute: "2-digit", second: "2-digit" });
const withDay = formatter({ weekday: "short", hour: "2-digit", minute: "2-digit" });
const wholeDay = formatter({ weekday: "long", year: "numeric", month: "long", day: "numeric" });
const dayOnly = formatter({ year: "numeric", month: "2-digit", day: "2-digit" });

/** `06:52`, with the weekday when it isn't the day of `now`. */
export function clock(time, now = null) {
  const moment = new Date(time);
  const other = now !== null && dayOnly.format(moment) !== dayOnly.format(new Date(now));
  return (other ? withDay : hourMinute).format(moment);
}

export const day = (time) => dayOnly.format(new Date(time));
export const dayInWords = (time) => wholeDay.format(new Date(time));
export const clockWithSeconds = (time) => withSeconds.format(new Date(time));
export const panels = (n) => many(n, "{n} panel", "{n} panels");
export const parts = (n) => many(n, "{n} part", "{n} parts");

/** `7–11`, or `9` when there is no doubt. */
export function range(low, high) {
  return low === high ? number(low) : `${number(low)}–${number(high)}`;
}

export function age(seconds) {
  if (seconds < 90) return `${Math.round(seconds)} s`;
  if (seconds < 5400) return `${Math.round(seconds / 60)} min`;
  return `${Math.round(seconds / 3600)} h`;
}

/** That of `words` for a kind of supply; `other` where it isn't known. */
export const ofKind = (kind, words) => words[kind] ?? words.other;

/** What to carry to the slot. */
export function whatToBring({ supply_kind: kind, part, slot }) {
  if (part) {
    return ofKind(kind, {
      tape: t("a reel of {part}", { part }), tray: t("a tray of {part}", { part }),
      stick: t("a stick of {part}", { part }), bulk: t("a case of {part}", { part }), other: part,
    });
  }
  return ofKind(kind, {
    tape: t("a new reel for slot {slot}", { slot }), tray: t("a new tray for slot {slot}", { slot }),
    stick: t("a new stick for slot {slot}", { slot }), bulk: t("a new case for slot {slot}", { slot }),
    other: t("the supply for slot {slot}", { slot }),
  });
}

/** The page of a slot. */
export const pageOf = ({ line, station, slot }) =>
  `/${["line", line, "station", station, "slot", slot].map(encodeURIComponent).join("/")}`;

/** That the orders ahead need more than is there; empty where they don't. */
export function whatLacks({ order_short: short }) {
  if (!short?.parts) return "";
  const lacking = many(short.parts, "{n} part short", "{n} parts short");
  if (short.order === null) return t("will not last the order: {parts}", { parts: lacking });
  return t("will not last order {order}: {parts}", { order: short.order, parts: lacking });
}

/** What the service says of a notice, in the page's language. */
export function messageOf({ kind, state, said, message }) {
  if (said) return sentence(said);
  return (state === "closed" && ABOUT[kind]) || message;
}

/** A sentence of the service: its English text and what is filled in. A value `…_at` is a moment. */
export function sentence({ text, values = {}, many: several }) {
  const filled = Object.fromEntries(Object.entries(values).map(([name, value]) => [name, filling(name, value)]));
  return several ? many(values.number, text, several, filled) : t(text, filled);
}

function filling(name, value) {
  if (Array.isArray(value)) return value.map(sentence).join("; ");
  if (typeof value === "object") return sentence(value);
  if (typeof value === "number") return number(value);
  return name.endsWith("_at") ? clock(value) : value;
}

/** What a notice that is over was about. */
const ABOUT = {
  question: t("refilled with what?"), silent: t("gateway silent"), loss: t("too many parts lost"),
  refused: t("messages refused"), outlet: t("messages not delivered"), promise: t("warnings come late"),
  recipe: t("recipe and counts differ"), "wrong part": t("wrong part"), "floor life": t("floor life ends"),
};

export const LEVEL = { early: t("Early"), urgent: t("Urgent"), empty: t("Empty"), question: t("Question") };

/** What sources speak. */
export const FORMATS = {
  native: t("Earlybell's own contract"), mapped: t("JSON of its own"), sparkplug: "Sparkplug B", cfx: "IPC-CFX", opcua: "OPC UA PubSub",
};

/** What a slot's state is called. */
export const STATE = {
  ok: t("ok"), due: t("due"), urgent: t("urgent"), empty: t("empty"), unknown: t("not known"), idle: t("not used"),
};

/** The sign of a slot's state. */
export const signOf = (state) => ({ due: "early", urgent: "urgent", empty: "empty" })[state] ?? "ok";

const READING = {
  running: t("running"),
  low: t("a supply runs low"),
  out: t("waits for a supply"),
  fault: t("stopped by a fault"),
};

export const reading = (word) => READING[word] ?? word;

const COLOUR = { red: t("red"), yellow: t("yellow"), green: t("green"), blue: t("blue"), white: t("white") };
const LAMP = { on: t("on"), flashing: t("flashing") };

/** `yellow flashing, green on` */
export function lamps(tower) {
  const lit = Object.entries(tower.lamps).filter(([, lamp]) => lamp !== "off");
  const words = lit.map(([colour, lamp]) => `${COLOUR[colour] ?? colour} ${LAMP[lamp] ?? lamp}`);
  if (tower.buzzer !== "off") words.push(t("buzzer"));
  return words.join(", ") || t("all lamps off");
}

/** Why a slot has no numbers. */
export function whyUnknown(slot) {
  if (slot.state === "idle") return t("not used by this recipe");
  if (slot.state === "empty") return t("empty now");
  const quantity = slot.remaining === null || slot.remaining.expected === null;
  const usage = slot.usage_per_panel === null;
  if (quantity && usage) return t("quantity and usage unknown");
  if (quantity) return t("quantity unknown");
  return usage ? t("usage unknown") : t("no forecast yet");
}

const BECAUSE = {
  refilled: t("refilled"), "seen refilled": t("seen refilled"), "order done": t("order done"), removed: t("removed"),
  better: t("better"), answered: t("answered"), ended: t("ended"), undone: t("undone"),
};

/** Why it was closed; a reason that the page offers is known in each language. */
export function closedWords({ closed_because: because, closed_by: by, reason }) {
  if (because !== "person") return t("Closed: {reason}", { reason: BECAUSE[because] ?? because ?? t("done") });
  const [offered, ...rest] = (reason ?? "").split(": ");
  const why = [t(offered), ...rest].join(": ");
  if (!why) return by ? t("Closed by {person}", { person: by }) : t("Closed by a person");
  return by ? t("Closed by {person}: {reason}", { person: by, reason: why }) : t("Closed by a person: {reason}", { reason: why });
}


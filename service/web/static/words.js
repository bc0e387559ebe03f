// How numbers, times and things are said. One place, so that the page speaks with one voice.

const zone = document.body.dataset.timezone;

function formatter(options) {
  try {
    return new Intl.DateTimeFormat("en-GB", { ...options, timeZone: zone });
  } catch {
    return new Intl.DateTimeFormat("en-GB", options); // a zone this browser doesn't know
  }
}

const hourMinute = formatter({ hour: "2-digit", minute: "2-digit" });
const withSeconds = formatter({ hour: "2-digit", minute: "2-digit", second: "2-digit" });
const withDay = formatter({ weekday: "short", hour: "2-digit", minute: "2-digit" });
const dayOnly = formatter({ year: "numeric", month: "2-digit", day: "2-digit" });
const grouped = new Intl.NumberFormat("en-GB", { maximumFractionDigits: 1 });

/** `06:52`, with the weekday when it isn't the day of `now`. */
export function clock(time, now = null) {
  const moment = new Date(time);
  const other = now !== null && dayOnly.format(moment) !== dayOnly.format(new Date(now));
  return (other ? withDay : hourMinute).format(moment);
}

export const day = (time) => dayOnly.format(new Date(time));
export const clockWithSeconds = (time) => withSeconds.format(new Date(time));
export const number = (value) => grouped.format(value);
export const count = (value, one, many = `${one}s`) => `${number(value)} ${value === 1 ? one : many}`;

/** `7–11`, or `9` when there is no doubt. */
export function range(low, high) {
  return low === high ? number(low) : `${number(low)}–${number(high)}`;
}

export function age(seconds) {
  if (seconds < 90) return `${Math.round(seconds)} s`;
  if (seconds < 5400) return `${Math.round(seconds / 60)} min`;
  return `${Math.round(seconds / 3600)} h`;
}

const CARRIER = { tape: "a reel of", tray: "a tray of", stick: "a stick of", bulk: "a case of" };
const THING = { tape: "reel", tray: "tray", stick: "stick", bulk: "case" };

/** What to carry to the slot. */
export function whatToBring({ supply_kind: kind, part, slot }) {
  if (!part) return kind ? `a new ${THING[kind]} for slot ${slot}` : `the supply for slot ${slot}`;
  return kind ? `${CARRIER[kind]} ${part}` : part;
}

/** The page of a slot. */
export const pageOf = ({ line, station, slot }) =>
  `/${["line", line, "station", station, "slot", slot].map(encodeURIComponent).join("/")}`;

/** That the orders ahead need more than is there; empty where they don't. */
export function whatLacks({ order_short: short }) {
  if (!short?.parts) return "";
  return `will not last ${short.order === null ? "the order" : `order ${short.order}`}: ${count(short.parts, "part")} short`;
}

export const thing = (kind) => THING[kind] ?? "supply";

export const LEVEL = { early: "Early", urgent: "Urgent", empty: "Empty", question: "Question" };

/** What a slot's state is called. */
export const STATE = { ok: "ok", due: "due", urgent: "urgent", empty: "empty", unknown: "not known", idle: "not used" };

/** The sign of a slot's state. */
export const signOf = (state) => ({ due: "early", urgent: "urgent", empty: "empty" })[state] ?? "ok";

const READING = {
  running: "running",
  low: "a supply runs low",
  out: "waits for a supply",
  fault: "stopped by a fault",
};

export const reading = (word) => READING[word] ?? word;

/** `yellow flashing, green on` */
export function lamps(tower) {
  const lit = Object.entries(tower.lamps).filter(([, lamp]) => lamp !== "off");
  const words = lit.map(([colour, lamp]) => `${colour} ${lamp}`);
  if (tower.buzzer !== "off") words.push("buzzer");
  return words.join(", ") || "all lamps off";
}

/** Why a slot has no numbers. */
export function whyUnknown(slot) {
  if (slot.state === "idle") return "not used by this recipe";
  if (slot.state === "empty") return "empty now";
  const missing = [];
  if (slot.remaining === null || slot.remaining.expected === null) missing.push("quantity");
  if (slot.usage_per_panel === null) missing.push("usage");
  return missing.length ? `${missing.join(" and ")} unknown` : "no forecast yet";
}

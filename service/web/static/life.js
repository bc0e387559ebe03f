// A floor life in words, as a sign and as a bar: how long moisture-sensitive parts may still lie open.

import { draw, icon, make, say } from "./dom.js";
import { many, number, t } from "./language.js";
import { clock, day } from "./words.js";

const HOUR_MS = 3600000;
const SOON_MS = 2 * HOUR_MS;
const WEEK_MS = 6 * 24 * HOUR_MS;
const STATE = {
  sealed: t("Sealed"), exposed: t("Open"), dry: t("In the dry"), expired: t("Over"), unknown: t("Not known"),
};

/** `40 min`, `68 h`, `27.5 days`. */
export function span(hours) {
  if (hours < 2) return t("{n} min", { n: number(Math.max(0, Math.floor(hours * 60))) });
  if (hours < 100) return t("{n} h", { n: number(Math.floor(hours * 10) / 10) });
  const days = Math.floor((hours / 24) * 10) / 10;
  return many(days, "{n} day", "{n} days");
}

/** With its weekday where it is another day, with its date where it is another week. */
function moment(time, now) {
  return Math.abs(new Date(time) - now) < WEEK_MS ? clock(time, now) : `${day(time)} ${clock(time)}`;
}

/** What is left at `now` of a life as it was told: `{hours, end}`; null where that isn't known. */
function leftOf(life, now) {
  const end = life.ends_at ?? life.over_by;
  if (end && life.lies === "exposed") return { hours: Math.max(0, (new Date(end) - now) / HOUR_MS), end };
  const hours = life.left_hours ?? life.at_most_hours;
  return hours === null ? null : { hours, end };
}

/** `over`, `soon`, or null while there is nothing to do. */
export function pressing(life, now) {
  if (life === null || life.unlimited) return null;
  const end = life.ends_at ?? life.over_by;
  if (life.state === "expired" || (end && new Date(end) <= now)) return "over";
  return end && new Date(end) - now < SOON_MS ? "soon" : null;
}

export const stateOf = (life, now) => (pressing(life, now) === "over" ? STATE.expired : STATE[life.state] ?? life.state);

/** One sentence: how long still, until when, and what isn't known. */
export function lifeWords(life, now) {
  if (life.unlimited) return t("No limit: level {level}.", { level: life.level });
  if (life.reason === "level") return t("Which moisture level it has isn't known.");
  if (life.reason === "label") return t("Level {level} goes by the hours on its label, and nobody said them.", { level: life.level });
  if (life.reason === "bake") return life.lies === "sealed" ? t("Must be baked before it is used.") : t("Must be baked before it is used; nobody said that it was.");
  if (pressing(life, now) === "over") return overWords(life, now);
  const left = leftOf(life, now);
  if (left === null) return t("Nobody said when it was opened.");
  const known = { left: span(left.hours), clock: left.end && moment(left.end, now) };
  if (life.reason === "opening") {
    if (!left.end) return t("Nobody said when it was opened. {left} are left at most.", known);
    return t("Nobody said when it was opened. {left} are left at most; over by {clock} for certain.", known);
  }
  if (life.state === "sealed") return life.used_hours ? t("{left} left, once opened again.", known) : t("{left} once it is opened.", known);
  return left.end ? t("{left} left, until {clock}.", known) : standing(life, known, now);
}

function standing(life, known, now) {
  if (!life.resets_at) return t("{left} left; the clock stands.", known);
  return t("{left} left; the clock stands. All of it again from {again} on, if it stays there.", {
    ...known, again: moment(life.resets_at, now) });
}

function overWords(life, now) {
  const end = life.ends_at ?? life.over_by;
  if (!end) return t("The floor life is over. It must be baked before it is used.");
  return t("Over since {clock}. It must be baked before it is used.", { clock: moment(end, now) });
}

/** A floor life as a block: sign, state, bar, sentence. `show(life, now)` with a moment as a Date. */
export function lifeView() {
  const sign = make("span", { class: "sign" });
  const state = make("b");
  const bar = draw("svg", { class: "life-bar", "aria-hidden": "true" });
  const words = make("p", { class: "life-words" });
  const element = make("div", { class: "life" }, make("p", { class: "life-state" }, sign, state), bar, words);

  function show(life, now) {
    const press = pressing(life, now);
    element.dataset.press = press ?? "no";
    const level = { over: "urgent", soon: "early" }[press];
    if (sign.dataset.level !== level) sign.replaceChildren(...(level ? [icon(level)] : []));
    sign.dataset.level = level;
    say(state, life.level ? t("{state} · level {level}", { state: stateOf(life, now), level: life.level }) : stateOf(life, now));
    say(words, lifeWords(life, now));
    const share = shareOf(life, now, press);
    bar.toggleAttribute("hidden", share === null);
    if (share !== null) bar.replaceChildren(...drawn(share, life.at_most_hours !== null));
  }
  return { element, show };
}

/** What is left of the whole, from 0 to 1; null where that isn't known. */
function shareOf(life, now, press) {
  if (press === "over") return 0;
  const left = leftOf(life, now);
  if (left === null || !life.limit_hours) return null;
  return Math.min(1, left.hours / life.limit_hours);
}

function drawn(share, doubtful) {
  const bar = (width, kind) => draw("rect", { x: 0, y: 2, height: 12, width, class: kind });
  return [bar("100%", "way"), bar(`${(share * 100).toFixed(2)}%`, doubtful ? "perhaps" : "sure")];
}

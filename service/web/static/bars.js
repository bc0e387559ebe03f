// Messages as bars, an hour or a day each, under the lines of what people can follow. The list says the same.

import { draw, make } from "./dom.js";
import { number, t } from "./language.js";
import { clock, day } from "./words.js";

const HOUR_MS = 3600000;
const LONG = 24 * 8;

/** `[moment, messages]` for each hour, or for each day where there are many. */
function counted({ hours }, { from }) {
  const each = hours.length > LONG ? 24 : 1;
  const begin = new Date(from).getTime();
  const found = [];
  for (let at = 0; at < hours.length; at += each) {
    found.push([begin + at * HOUR_MS, hours.slice(at, at + each).reduce((sum, one) => sum + one, 0)]);
  }
  return { found, daily: each > 1 };
}

export function bars(person, told) {
  if (person.messages === 0) return null;
  const { found, daily } = counted(person, told);
  const { good, most } = told.benchmarks[daily ? "per_day" : "per_hour"];
  const top = Math.max(...found.map(([, messages]) => messages), good) * 1.15;
  const width = 100 / found.length;
  const at = (value) => `${(100 - (value / top) * 100).toFixed(2)}%`;
  const drawn = found.map(([, messages], index) => draw("rect", {
    x: `${(index * width + width * 0.1).toFixed(3)}%`, width: `${(width * 0.8).toFixed(3)}%`,
    y: at(messages), height: `${((messages / top) * 100).toFixed(2)}%`, class: "bar",
  }));
  const limits = [good, most].filter((limit) => limit <= top)
    .map((limit) => draw("line", { x1: 0, x2: "100%", y1: at(limit), y2: at(limit), class: "limit" }));
  return make("figure", { class: "hours", "aria-hidden": "true" },
    draw("svg", {}, ...drawn, ...person.floods.map((flood) => floodMark(flood, told, person.hours.length)), ...limits),
    make("figcaption", {}, make("span", {}, brief(told.from, daily, told)),
      make("span", { class: "line-says" }, daily
        ? t("line: {n} a day", { n: number(good) }) : t("line: {n} an hour", { n: number(good) })),
      make("span", {}, brief(told.to, daily, told))));
}

function floodMark({ from, to }, told, hours) {
  const begin = new Date(told.from).getTime();
  const share = (time) => ((new Date(time ?? told.to).getTime() - begin) / (hours * HOUR_MS)) * 100;
  return draw("rect", { x: `${share(from).toFixed(3)}%`, y: 0, height: "100%", class: "flood",
    width: `${Math.max(0.5, share(to) - share(from)).toFixed(3)}%` });
}

const brief = (time, daily, { to }) => (daily ? day(time) : clock(time, to));
const moment = (time) => `${day(time)} ${clock(time)}`;

/** Only what isn't nothing: a quiet night needs no list. */
export function byHour(person, told) {
  const { found, daily } = counted(person, told);
  const rows = found.filter(([, messages]) => messages > 0).map(([at, messages]) => make("li", {},
    make("span", {}, daily ? day(at) : moment(at)), make("b", {}, number(messages))));
  return make("ol", { class: "by-hour" }, ...rows);
}

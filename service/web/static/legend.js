// How to read the road: each sign with its word.

import { draw, make, sign } from "./dom.js";
import { t } from "./language.js";

const PICTURES = [
  [t("the panel in work"), () => draw("rect", { x: -9, y: -5, width: 18, height: 10, class: "in-work" })],
  [t("sure to here, perhaps to there"), () => draw("g", {},
    draw("rect", { x: -11, y: -5, width: 11, height: 10, class: "sure" }),
    draw("path", { d: "M0 0H10M10-5V5", class: "whisker" }))],
  [t("likely end"), () => draw("g", { class: "mark ok" }, sign("ok"))],
  [t("lead: warned from here"), () => draw("line", { x1: 0, x2: 0, y1: -11, y2: 11, class: "lead" })],
  [t("the order ends"), () => draw("path", { d: "M-5-9H0V9H-5", class: "end" })],
];
const GATES = [
  [t("panel boundary: exchange only here"), () => draw("path", { d: "M-8 2V8M0 2V8M8 2V8", class: "boundary" })],
  [t("last boundary before it may be empty"), () => draw("g", { class: "gate" }, draw("path", { d: "M-6-9H6M0-9V9" }))],
];

const STOPS = [
  [t("planned stop: the slots with its sign are exchanged then"), () => draw("g", { class: "stop" },
    draw("line", { x1: 0, x2: 0, y1: -11, y2: 11, class: "stop" }), draw("g", { transform: "scale(.9)" }, sign("stop")))],
];

/** `withGates`: whether any slot needs a panel boundary; `withStops`: whether a stop is planned. */
export function legend(withGates, withStops = false) {
  const rows = [...PICTURES, ...(withGates ? GATES : []), ...(withStops ? STOPS : [])].map(([name, picture]) =>
    make("li", {}, draw("svg", { viewBox: "-12 -12 24 24", "aria-hidden": "true" }, picture()), name));
  return make("ul", { class: "legend", "aria-label": t("How to read the road") }, ...rows);
}

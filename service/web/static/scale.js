// The scale of panels from now: how far it reaches, where its labels stand, and the axis with panels and clock.

import { draw, sign } from "./dom.js";
import { t } from "./language.js";
import { clock, clockWithSeconds, number } from "./words.js";

export const HORIZONS = [20, 50, 200, 1000];
const STEPS = [1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500];
const LABEL_EM = 4.2;
const SECONDS_LABEL_EM = 5.8;

export const percent = (panels, horizon) => `${(Math.min(panels / horizon, 1) * 100).toFixed(2)}%`;

/** The nearest horizon that shows the lead and the three soonest slots; what is further is an arrow at the edge. */
export function fitting(slots) {
  const lead = Math.max(10, ...slots.map((slot) => slot.lead_panels ?? 0));
  const ends = slots.filter((slot) => slot.panels_to_empty).map((slot) => slot.panels_to_empty.p95);
  const wanted = Math.max(lead * 2, (ends[Math.min(2, ends.length - 1)] ?? 0) * 1.05);
  return HORIZONS.find((horizon) => horizon >= wanted) ?? HORIZONS.at(-1);
}

/** Panels between two labels: the fewest that leave each label its room. */
function stepFor(horizon, width, room) {
  return STEPS.find((step) => (step / horizon) * width >= room) ?? horizon;
}

/**
 * Panels on top, the clock below, the panel in work as a block from now on; where the lead and the end of the
 * order are, they are named; planned `stops` have their sign. `width` is that of the axis in pixels.
 */
export function drawAxis(axis, { horizon, width, now, takt, lead, end, stops = [] }) {
  const at = (panels) => percent(panels, horizon);
  const anchor = (panels) => (panels === 0 ? "start" : panels >= horizon * 0.93 ? "end" : "middle");
  const text = (panels, y, words, kind) =>
    draw("text", { x: at(panels), y, "text-anchor": anchor(panels), class: kind }, words);
  const em = parseFloat(getComputedStyle(axis).fontSize) || 15;
  const rough = stepFor(horizon, width, LABEL_EM * em);
  const inSeconds = takt !== null && rough * takt < 60;
  const step = inSeconds ? stepFor(horizon, width, SECONDS_LABEL_EM * em) : rough;
  const time = inSeconds ? clockWithSeconds : clock;
  const drawn = [draw("rect", { x: 0, y: 54, width: at(1), height: 10, class: "in-work" })];
  for (let panels = 0; panels <= horizon; panels += step) {
    drawn.push(draw("line", { x1: at(panels), x2: at(panels), y1: 54, y2: 64, class: panels === 0 ? "now" : "tick" }));
    drawn.push(text(panels, 32, panels === 0 ? t("now") : number(panels), panels === 0 ? "panels now-word" : "panels"));
    const moment = panels === 0 ? now : now && takt && new Date(Date.parse(now) + panels * takt * 1000);
    if (moment) drawn.push(text(panels, 49, time(moment), "clock"));
  }
  const crowded = end !== null && lead !== null && (Math.abs(end - lead) / horizon) * width < 90;
  if (end !== null) drawn.push(...edge(end, t("order ends"), "end"));
  if (lead !== null && !crowded) drawn.push(...edge(lead, t("lead"), "lead"));
  for (const { panels } of stops) {
    drawn.push(draw("svg", { x: at(panels), y: 59, overflow: "visible", class: "stop" }, draw("g", { transform: "scale(.7)" }, sign("stop"))));
  }
  axis.replaceChildren(...drawn);

  function edge(panels, words, kind) {
    if (panels > horizon) return [];
    const tick = draw("line", { x1: at(panels), x2: at(panels), y1: 15, y2: 19, class: kind });
    return [text(panels, 13, words, `edge ${kind}`), tick];
  }
}

/** The value all have in common, else null. */
export const shared = (values) => (new Set(values).size === 1 ? values[0] ?? null : null);

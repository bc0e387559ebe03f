// One slot's road, drawn: how far it surely lasts, how far perhaps, where the order ends, where a stop is possible.

import { draw, sign } from "./dom.js";
import { percent } from "./scale.js";
import { signOf } from "./words.js";

const BOUNDARY_PX = 5;

/**
 * The parts of a lane for `slot`, in a picture `height` pixels tall and `width` wide. The road's surface reaches
 * as far as the order needs it; the dark part is sure (to p05), the whisker reaches to p95, the mark is p50. Planned
 * `stops` go through all lanes; where the slot is exchanged in one, its sign stands on the line.
 */
export function marks(slot, { horizon, width, height, stops = [] }) {
  const { p05, p50, p95 } = slot.panels_to_empty;
  const at = (panels) => percent(panels, horizon);
  const middle = height / 2;
  const half = height * 0.2;
  const needed = slot.order_panels_left ?? Infinity;
  const level = signOf(slot.state);
  const upright = (panels, y1, y2, kind) => draw("line", { x1: at(panels), x2: at(panels), y1, y2, class: kind });
  const band = (from, to, kind) =>
    draw("rect", { x: at(from), y: middle - half, height: 2 * half, width: share(from, to, horizon), class: kind });
  const drawn = [
    band(0, Math.min(needed, horizon), "way"),
    band(0, Math.min(p05, horizon), `sure ${level}`),
    slot.lead_panels <= horizon && upright(slot.lead_panels, 0, height, "lead"),
    slot.boundary_only && boundaries(),
    needed <= horizon && roadEnd(),
    ...stops.map(({ panels }) => upright(panels, 0, height, "stop")),
    upright(0, 0, height, "now"),
  ];
  if (p05 < p95 && p05 <= horizon) drawn.push(whisker());
  if (slot.boundary_only && p05 >= 1 && p05 <= horizon) drawn.push(gate());
  drawn.push(p50 <= horizon ? mark() : beyond(middle));
  drawn.push(...stops.filter((stop) => stop.slots.has(`${slot.station}/${slot.slot}`)).map(({ panels }) =>
    draw("svg", { x: at(panels), y: 9, class: "stop", overflow: "visible" }, draw("g", { transform: "scale(.9)" }, sign("stop")))));
  return drawn.filter(Boolean);

  /** The moments at which an exchange is possible; only as far as the slot lasts, and only where there is room. */
  function boundaries() {
    if (width / horizon < BOUNDARY_PX) return null;
    const last = Math.min(p95, needed, horizon);
    const each = Array.from({ length: Math.max(0, last) }, (_, index) =>
      upright(index + 1, middle + half + 1, middle + half + 6, "boundary"));
    return draw("g", { class: "boundaries" }, ...each);
  }

  /** The last boundary before it may be empty: a gate over the road. */
  function gate() {
    const frame = `M-6-${half + 5}H6M0-${half + 5}V${half + 6}`;
    return draw("svg", { x: at(p05), y: middle, overflow: "visible", class: "gate" }, draw("path", { d: frame }));
  }

  function roadEnd() {
    const wall = `M-5-${half + 5}H0V${half + 5}H-5`;
    return draw("svg", { x: at(needed), y: middle, overflow: "visible", class: "end" }, draw("path", { d: wall }));
  }

  function whisker() {
    const ends = [upright(p05, middle - half * 0.8, middle + half * 0.8, "whisker")];
    if (p95 <= horizon) ends.push(upright(p95, middle - half * 0.8, middle + half * 0.8, "whisker"));
    return draw("g", {},
      draw("line", { x1: at(p05), x2: at(p95), y1: middle, y2: middle, class: "whisker" }), ...ends);
  }

  function mark() {
    const scaled = draw("g", { transform: `scale(${height > 60 ? 1.6 : 1})` }, sign(level));
    return draw("svg", { x: at(p50), y: middle, class: `mark ${level}`, overflow: "visible" }, scaled);
  }
}

const share = (from, to, horizon) => `${(Math.max(0, Math.min((to - from) / horizon, 1)) * 100).toFixed(2)}%`;
const beyond = (middle) =>
  draw("svg", { x: "100%", y: middle, overflow: "visible" }, draw("path", { d: "M-7-6 1 0-7 6", class: "beyond" }));

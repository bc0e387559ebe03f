// The road ahead of a line: one row per slot on a scale of panels from now, soonest on top.

import * as act from "./act.js";
import { arrange, draw, icon, make, say, sign } from "./dom.js";
import { clock, clockWithSeconds, count, number, range, signOf, thing, whyUnknown } from "./words.js";

const FIRST_ROWS = 20;
const HORIZONS = [20, 50, 200, 1000];
const STEPS = { 20: 5, 50: 10, 200: 50, 1000: 250 };
const percent = (panels, horizon) => `${(Math.min(panels / horizon, 1) * 100).toFixed(2)}%`;

/** The scale and the rows of one line. `changed()` is called when a person asks for another horizon. */
export function road(line, keep, changed) {
  const rows = new Map();
  let horizon = null;
  let all = false;
  const axis = draw("svg", { class: "axis", "aria-hidden": "true" });
  const list = make("ol", { class: "rows", "aria-label": `Slots of line ${line}, soonest first` });
  const more = make("button", { type: "button", class: "more-rows", click: () => { all = true; changed(); } });
  const choice = horizonChoice(line, (value) => { horizon = value; changed(); });
  const element = make("div", { class: "road" }, choice.element,
    make("div", { class: "scale" }, make("div", { class: "lane" }, axis)), list, more);

  function show(slots, now, takt) {
    const scale = horizon ?? fitting(slots);
    choice.show(scale);
    drawAxis(axis, scale, slots, now, takt);
    const wanted = slots.map((slot, index) => {
      const key = `${slot.station}/${slot.slot}`;
      if (!rows.has(key)) rows.set(key, row(keep));
      const own = rows.get(key);
      own.element.hidden = !all && index >= FIRST_ROWS;
      if (!own.element.hidden) own.show(slot, scale, now);
      return own.element;
    });
    arrange(list, wanted);
    const shown = new Set(slots.map((slot) => `${slot.station}/${slot.slot}`));
    for (const key of rows.keys()) if (!shown.has(key)) rows.delete(key);
    more.hidden = all || slots.length <= FIRST_ROWS;
    say(more, `Show all ${count(slots.length, "slot")}`);
  }
  return { element, show };
}

/** The nearest horizon that shows the lead and at least a few slots; what is further is an arrow at the edge. */
function fitting(slots) {
  const lead = Math.max(10, ...slots.map((slot) => slot.lead_panels ?? 0));
  const ends = slots.filter((slot) => slot.panels_to_empty).map((slot) => slot.panels_to_empty.p95);
  const wanted = Math.max(lead * 2, ends[Math.min(4, ends.length - 1)] ?? 0);
  return HORIZONS.find((horizon) => horizon >= wanted) ?? HORIZONS.at(-1);
}

function horizonChoice(line, choose) {
  const inputs = HORIZONS.map((value) =>
    make("input", { type: "radio", name: `horizon-${line}`, value, change: () => choose(value) }));
  const element = make("fieldset", { class: "horizon" }, make("legend", {}, "Next"),
    ...inputs.map((input) => make("label", {}, input, make("span", {}, number(Number(input.value))))),
    make("span", { class: "unit" }, "panels"));
  const show = (value) => { for (const input of inputs) input.checked = Number(input.value) === value; };
  return { element, show };
}

/** Panels on top, the clock below; where the lead and the end of the order are, they are named. */
function drawAxis(axis, horizon, slots, now, takt) {
  const at = (panels) => percent(panels, horizon);
  const anchor = (panels) => (panels === 0 ? "start" : panels >= horizon * 0.95 ? "end" : "middle");
  const text = (panels, y, words, kind) =>
    draw("text", { x: at(panels), y, "text-anchor": anchor(panels), class: kind }, words);
  const ticks = [];
  for (let panels = 0; panels <= horizon; panels += STEPS[horizon]) {
    ticks.push(text(panels, 32, panels === 0 ? "now" : number(panels), "panels"));
    const time = panels === 0 ? now : now && takt && new Date(Date.parse(now) + panels * takt * 1000);
    if (time) ticks.push(text(panels, 49, clock(time), "clock"));
  }
  const lead = shared(slots.map((slot) => slot.lead_panels));
  const end = shared(slots.map((slot) => slot.order_panels_left ?? null));
  const crowded = end !== null && Math.abs(end - lead) < horizon * 0.2;
  if (end !== null) ticks.push(...edge(end, "order ends", "end"));
  if (lead !== null && !crowded) ticks.push(...edge(lead, "lead", "lead"));
  axis.replaceChildren(...ticks);

  function edge(panels, words, kind) {
    if (panels > horizon) return [];
    const tick = draw("line", { x1: at(panels), x2: at(panels), y1: 17, y2: 21, class: kind });
    return [text(panels, 13, words, `edge ${kind}`), tick];
  }
}

/** The value all have in common, else null. */
const shared = (values) => (new Set(values).size === 1 ? values[0] : null);

function row(keep) {
  let slot = null;
  const part = (name, tag = "span") => make(tag, { class: name });
  const name = part("name");
  const supply = part("supply");
  const picture = draw("svg", { class: "picture", "aria-hidden": "true" });
  const why = part("why");
  const panels = part("panels");
  const doubt = part("doubt");
  const when = part("when");
  const tags = part("tags");
  const facts = make("dl");
  const said = make("p", { class: "said", role: "status" });
  const loaded = make("button", { type: "button" });
  act.pressable(loaded, () => act.load(slot, keep.slot), (text, bad) => {
    if (text !== null) say(said, text);
    said.classList.toggle("bad", bad);
  });
  const details = make("details", { toggle: () => details.open && showFacts(facts, slot) },
    make("summary", {}, name, supply, make("span", { class: "lane" }, picture, why), panels, doubt, when, tags),
    make("div", { class: "more" }, facts, make("div", { class: "buttons" }, loaded), said));
  const element = make("li", {}, details);

  function show(next, horizon, now) {
    slot = next;
    element.dataset.state = slot.state;
    if (name.childElementCount === 0) name.append(make("b"), " ", make("span"));
    say(name.firstElementChild, slot.slot);
    say(name.lastElementChild, slot.station);
    say(supply, slot.part ?? "part not known");
    const spread = slot.panels_to_empty;
    say(why, spread ? "" : whyUnknown(slot));
    picture.replaceChildren(...(spread ? marks(slot, horizon) : []));
    showPanels(panels, spread);
    say(doubt, spread && spread.p05 !== spread.p95 ? range(spread.p05, spread.p95) : "");
    say(when, spread && slot.empty_at ? clock(slot.empty_at.p50, now) : "");
    showTags(tags, slot);
    say(loaded, `Loaded a new ${thing(slot.kind)}`);
    if (details.open) showFacts(facts, slot);
  }
  return { element, show };
}

/** The road as far as the order needs it, the whisker from p05 to p95, the mark at p50. */
function marks(slot, horizon) {
  const { p05, p50, p95 } = slot.panels_to_empty;
  const at = (panels) => percent(panels, horizon);
  const needed = slot.order_panels_left ?? Infinity;
  const level = signOf(slot.state);
  const drawn = [draw("rect", { x: 0, y: 12, height: 8, width: at(needed), class: "way" })];
  if (needed < horizon) drawn.push(draw("line", { x1: at(needed), x2: at(needed), y1: 6, y2: 26, class: "end" }));
  if (slot.lead_panels <= horizon) {
    drawn.push(draw("line", { x1: at(slot.lead_panels), x2: at(slot.lead_panels), y1: 0, y2: 32, class: "lead" }));
  }
  if (p05 > horizon) return [...drawn, beyond()];
  if (p05 < p95) drawn.push(draw("line", { x1: at(p05), x2: at(p95), y1: 16, y2: 16, class: "whisker" }), cap(at(p05)));
  if (p05 < p95 && p95 <= horizon) drawn.push(cap(at(p95)));
  if (p50 > horizon) return [...drawn, beyond()];
  const mark = draw("svg", { x: at(p50), y: 16, class: `mark ${level}`, overflow: "visible" }, sign(level));
  if (slot.boundary_only) mark.append(draw("path", { d: "M-13-10V10M13-10V10", class: "gate" }));
  return [...drawn, mark];
}

const cap = (x) => draw("line", { x1: x, x2: x, y1: 10, y2: 22, class: "whisker" });
const beyond = () =>
  draw("svg", { x: "100%", y: 16, overflow: "visible" }, draw("path", { d: "M-7-6 1 0-7 6", class: "beyond" }));

function showPanels(panels, spread) {
  if (panels.childElementCount === 0) panels.append(make("b"), " ", make("span"));
  const [value, unit] = panels.children;
  say(value, spread ? number(spread.p50) : "");
  say(unit, spread ? (spread.p50 === 1 ? "panel" : "panels") : "");
}

function showTags(tags, slot) {
  const words = [];
  const level = signOf(slot.state);
  if (level !== "ok") words.push([slot.state, level]);
  if (slot.boundary_only) words.push(["at a panel boundary only", null]);
  if (slot.assumed) words.push(["quantity assumed", null]);
  if (outlasts(slot)) words.push(["outlasts the order", null]);
  const text = words.map(([word]) => word).join("\n");
  if (tags.dataset.text === text) return;
  tags.dataset.text = text;
  tags.replaceChildren(...words.map(([word, own]) =>
    make("span", { class: "tag", "data-level": own }, own && icon(own), word)));
}

const outlasts = ({ panels_to_empty: spread, order_panels_left: needed }) =>
  spread !== null && needed !== null && needed !== undefined && spread.p05 >= needed;

function showFacts(facts, slot) {
  const { remaining, panels_to_empty: spread, empty_at: times } = slot;
  const rows = [];
  if (remaining && remaining.expected !== null) {
    const sure = remaining.low === remaining.high;
    const doubt = sure ? "" : `, between ${number(remaining.low)} and ${number(remaining.high)}`;
    const book = remaining.book === null ? "" : `; by the book ${number(remaining.book)}`;
    rows.push(["Left", `about ${count(Math.round(remaining.expected), "part")}${doubt}${book}`]);
  }
  if (spread && times) {
    rows.push(["Empty", `in ${range(spread.p05, spread.p95)} panels, ${clock(times.p05)} to ${clock(times.p95)}`]);
  }
  if (slot.usage_per_panel) {
    const source = slot.usage_source === "learned" ? " (learned)" : "";
    rows.push(["Takes", `${count(slot.usage_per_panel, "part")} a panel${source}`]);
  }
  if (slot.loss_rate !== null) rows.push(["Loses", `${number(slot.loss_rate * 1000)} in 1,000`]);
  if (slot.order_panels_left !== null && slot.order_panels_left !== undefined) {
    rows.push(["Order", `needs it for ${count(slot.order_panels_left, "more panel")}`]);
  }
  if (slot.lot) rows.push(["Lot", slot.lot]);
  if (slot.assumed) rows.push(["Assumed", "nobody said how many were loaded"]);
  if (slot.as_of) rows.push(["As of", clockWithSeconds(slot.as_of)]);
  facts.replaceChildren(...rows.map(([term, value]) => make("div", {}, make("dt", {}, term), make("dd", {}, value))));
}

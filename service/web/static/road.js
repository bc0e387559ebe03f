// The road ahead of a line: one row per slot on a scale of panels from now, soonest on top.

import { arrange, draw, icon, make, say } from "./dom.js";
import { many, t } from "./language.js";
import { legend } from "./legend.js";
import { marks } from "./marks.js";
import { HORIZONS, drawAxis, fitting, shared } from "./scale.js";
import { clock, number, pageOf, panels, range, signOf, STATE, whatLacks, whyUnknown } from "./words.js";

const FIRST_ROWS = 20;
const LANE_PX = 40;
const NARROWEST_PX = 280;

/** The scale and the rows of one line. `changed()` is called when it has to be drawn again. */
export function road(line, changed) {
  const rows = new Map();
  let horizon = null;
  let all = false;
  let width = NARROWEST_PX;
  const axis = draw("svg", { class: "axis", "aria-hidden": "true" });
  const list = make("ol", { class: "rows", "aria-label": t("Slots of line {line}, soonest first", { line }) });
  const more = make("button", { type: "button", class: "more-rows", click: () => { all = true; changed(); } });
  const next = make("a", { class: "next-stop", hidden: true, href: `/plan?line=${encodeURIComponent(line)}` }, icon("stop"), make("span"));
  const choice = horizonChoice(line, (value) => { horizon = value; changed(); });
  const legends = make("div");
  const element = make("div", { class: "road" }, next, choice.element,
    make("div", { class: "scale" }, make("div", { class: "lane" }, axis)), list, more, legends);
  onWidth(axis, (pixels) => { width = pixels; changed(); });

  /** `plan`: that of the line; null: none is known. */
  function show(slots, now, takt, plan = null) {
    const planned = stopsOf(plan);
    const scale = { horizon: horizon ?? fitting(slots), width, height: LANE_PX };
    scale.stops = planned.filter(({ panels }) => panels <= scale.horizon);
    next.hidden = planned.length === 0;
    if (planned.length) say(next.lastElementChild, stopWords(planned[0], now));
    choice.show(scale.horizon);
    drawAxis(axis, {
      ...scale, now, takt,
      lead: shared(slots.map((slot) => slot.lead_panels)),
      end: shared(slots.map((slot) => slot.order_panels_left ?? null)),
    });
    const wanted = slots.map((slot, index) => {
      const key = `${slot.station}/${slot.slot}`;
      if (!rows.has(key)) rows.set(key, row());
      const own = rows.get(key);
      own.element.hidden = !all && index >= FIRST_ROWS;
      if (!own.element.hidden) own.show(slot, scale, now, planned.find((stop) => stop.slots.has(key)));
      return own.element;
    });
    arrange(list, wanted);
    const shown = new Set(slots.map((slot) => `${slot.station}/${slot.slot}`));
    for (const key of rows.keys()) if (!shown.has(key)) rows.delete(key);
    more.hidden = all || slots.length <= FIRST_ROWS;
    say(more, many(slots.length, "Show all {n} slots", "Show all {n} slots"));
    explain(slots.some((slot) => slot.boundary_only), scale.stops.length > 0);
  }

  function explain(...needs) {
    if (legends.dataset.for === String(needs)) return;
    legends.dataset.for = needs;
    legends.replaceChildren(legend(...needs));
  }
  return { element, show };
}

/** The planned stops, each with its slots. */
export const stopsOf = (plan) => (plan?.stops ?? []).map((stop) =>
  ({ ...stop, slots: new Set(stop.exchanges.map(({ station, slot }) => `${station}/${slot}`)) }));

/** `Stop in 14 panels, 13:40: P2 T1, P1 T3` */
function stopWords({ panels: far, at, exchanges }, now) {
  const slots = exchanges.map(({ station, slot }) => `${station} ${slot}`).join(", ");
  if (far === 0) return t("Stop now: {slots}", { slots });
  if (!at) return t("Stop in {panels}: {slots}", { panels: panels(far), slots });
  return t("Stop in {panels}, {clock}: {slots}", { panels: panels(far), clock: clock(at, now), slots });
}

/** Call `changed(pixels)` when the width of `element` is first known and whenever it is another. */
export function onWidth(element, changed) {
  let known = null;
  new ResizeObserver(([entry]) => {
    const pixels = Math.round(entry.contentRect.width);
    if (pixels && pixels !== known) changed(known = pixels);
  }).observe(element);
}

function horizonChoice(line, choose) {
  const inputs = HORIZONS.map((value) =>
    make("input", { type: "radio", name: `horizon-${line}`, value, change: () => choose(value) }));
  const element = make("fieldset", { class: "horizon" }, make("legend", {}, t("Panels")),
    ...inputs.map((input) => make("label", {}, input, make("span", {}, number(Number(input.value))))));
  const show = (value) => { for (const input of inputs) input.checked = Number(input.value) === value; };
  return { element, show };
}

/** One slot as a link to its page: all of it may be pressed. */
function row() {
  const part = (name) => make("span", { class: name });
  const name = part("name");
  const supply = part("supply");
  const picture = draw("svg", { class: "picture", "aria-hidden": "true" });
  const why = part("why");
  const panels = part("panels");
  const doubt = part("doubt");
  const when = part("when");
  const tags = part("tags");
  const link = make("a", { class: "row" },
    name, " ", panels, " ", supply, " ", doubt, " ", when, " ", make("span", { class: "lane" }, picture, why), " ", tags);
  const element = make("li", {}, link);

  function show(slot, scale, now, stop = null) {
    element.dataset.state = slot.state;
    element.classList.toggle("stale", Boolean(slot.stale_since));
    const page = pageOf(slot);
    if (link.getAttribute("href") !== page) link.setAttribute("href", page);
    if (name.childElementCount === 0) name.append(make("b"), " ", make("span"));
    say(name.firstElementChild, slot.slot);
    say(name.lastElementChild, slot.station);
    say(supply, slot.part ?? t("part not known"));
    const spread = slot.panels_to_empty;
    say(why, spread ? "" : whyUnknown(slot));
    picture.replaceChildren(...(spread ? marks(slot, scale) : []));
    showPanels(panels, spread);
    say(doubt, spread && spread.p05 !== spread.p95 ? range(spread.p05, spread.p95) : "");
    say(when, spread && slot.empty_at ? clock(slot.empty_at.p50, now) : "");
    showTags(tags, slot, stop);
  }
  return { element, show };
}

export function showPanels(panels, spread) {
  if (panels.childElementCount === 0) panels.append(make("b"), " ", make("span"));
  const [value, unit] = panels.children;
  say(value, spread ? number(spread.p50) : "");
  say(unit, spread ? many(spread.p50, "panel", "panels") : "");
}

/** The state in a word with its sign, and what else a person should know before walking. */
export function showTags(tags, slot, stop = null) {
  const words = [];
  const level = signOf(slot.state);
  if (level !== "ok") words.push([STATE[slot.state], level]);
  if (slot.stale_since) words.push([staleWords(slot), "stale"]);
  if (stop) words.push([stop.panels === 0 ? t("stop now") : t("stop in {panels}", { panels: panels(stop.panels) }), "stop"]);
  if (slot.boundary_only) words.push([t("at a panel boundary only"), null]);
  if (slot.assumed) words.push([t("quantity assumed"), null]);
  if (outlasts(slot)) words.push([t("outlasts the order"), null]);
  if (whatLacks(slot)) words.push([whatLacks(slot), null]);
  const text = words.map(([word]) => word).join("\n");
  if (tags.dataset.text === text) return;
  tags.dataset.text = text;
  tags.replaceChildren(...words.map(([word, own]) =>
    make("span", { class: "tag", "data-level": own }, own && icon(own), word)));
}

const staleWords = ({ as_of: counted, stale_since: since }) => (counted
  ? t("numbers from {clock}, not heard since", { clock: clock(counted, Date.now()) })
  : t("not heard since {clock}", { clock: clock(since, Date.now()) }));

const outlasts = ({ panels_to_empty: spread, order_panels_left: needed }) =>
  spread !== null && needed !== null && needed !== undefined && spread.p05 >= needed;

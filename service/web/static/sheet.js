// One slot, large: its number, its road, what is left, and what a person can do with it.

import * as act from "./act.js";
import { draw, make, say } from "./dom.js";
import { many, t } from "./language.js";
import { leftPicture } from "./left.js";
import { legend } from "./legend.js";
import { lifeView } from "./life.js";
import { marks } from "./marks.js";
import { trayView } from "./matrix.js";
import { onWidth, showPanels, showTags, stopsOf } from "./road.js";
import { drawAxis, fitting } from "./scale.js";
import { clock, ofKind, panels, range, whyUnknown } from "./words.js";
import { whyView } from "./why.js";

const ROAD_PX = 96;
const DAY_MS = 86400000;
const LOADED = {
  tape: t("Loaded a new reel"), tray: t("Loaded a new tray"), stick: t("Loaded a new stick"), bulk: t("Loaded a new case"),
  other: t("Loaded a new supply"),
};

/** The parts of the page in `places`, elements by name. `changed()` is called when it has to be drawn again. */
export function sheet(places, keep, changed) {
  let width = 280;
  let slot = null;
  const axis = draw("svg", { class: "axis", "aria-hidden": "true" });
  const lane = draw("svg", { class: "picture tall", "aria-hidden": "true" });
  const spoken = make("p", { class: "spoken" });
  const legends = make("div");
  places.road.append(make("div", { class: "lane" }, axis, lane), spoken, legends);
  onWidth(axis, (pixels) => { width = pixels; changed(); });
  const left = leftPicture();
  places.left.append(left.element);
  const life = lifeView();
  places.life.append(life.element);
  const tray = trayView();
  places.tray.append(tray.element);
  const why = whyView();
  places.why.append(why.element);
  const acts = actsOn(() => slot, keep);
  places.acts.append(...acts.elements);

  /** `plan`: that of its line; null: none is known. */
  function show(next, reasons, { now, takt, plan }) {
    slot = next;
    const spread = slot.panels_to_empty;
    say(places.part, slot.part ?? t("part not known"));
    showPanels(places.panels, slot.state === "empty" ? null : spread);
    if (slot.state === "empty") say(places.panels.firstElementChild, t("Out"));
    else if (!spread) say(places.panels.lastElementChild, whyUnknown(slot));
    say(places.when, whenWords(slot, now));
    const planned = stopsOf(plan).filter((stop) => stop.slots.has(`${slot.station}/${slot.slot}`));
    showTags(places.tags, slot, planned[0]);
    const scale = { horizon: fitting([slot]), width, height: ROAD_PX };
    scale.stops = planned.filter(({ panels: far }) => far <= scale.horizon);
    drawAxis(axis, { ...scale, stops: [], now, takt, lead: slot.lead_panels, end: slot.order_panels_left ?? null });
    lane.replaceChildren(...(spread ? marks(slot, scale) : []));
    say(spoken, roadWords(slot, now, takt));
    explain(slot.boundary_only, scale.stops.length > 0);
    left.show(slot, reasons?.figures.declared ?? null);
    showPart(places.life, slot.floor_life, () => life.show(slot.floor_life, wall(now)));
    showPart(places.tray, slot.tray, () => tray.show(slot.tray));
    why.show(reasons, slot);
    acts.show();
  }

  function explain(...needs) {
    if (legends.dataset.for === String(needs)) return;
    legends.dataset.for = needs;
    legends.replaceChildren(legend(...needs));
  }
  return { show };
}

/** The wall's time where the line goes by it; a line that stands doesn't stop a floor life. */
function wall(now) {
  const heard = Date.parse(now ?? new Date().toISOString());
  const since = Date.now() - heard;
  return new Date(since >= 0 && since < DAY_MS ? Date.now() : heard);
}

/** A part of the page that only some slots have. */
function showPart(place, known, draw) {
  place.parentElement.hidden = !known;
  if (known) draw();
}

function whenWords({ panels_to_empty: spread, empty_at: times, state }, now) {
  if (state === "empty") return t("the station waits");
  if (!spread) return "";
  const doubt = spread.p05 === spread.p95 ? "" : `${range(spread.p05, spread.p95)} · `;
  return times ? doubt + t("about {clock}", { clock: clock(times.p50, now) }) : doubt.slice(0, -3);
}

/** The road in words: for who can't see it, and for what it can't draw. */
function roadWords({ panels_to_empty: spread, boundary_only: gated, order_panels_left: needed }, now, takt) {
  if (!spread) return "";
  const words = [];
  if (gated) words.push(exchangeWords(spread.p05, now, takt));
  if (needed !== null && needed !== undefined) {
    words.push(many(needed, "The order needs it for {n} more panel.", "The order needs it for {n} more panels."));
  }
  return words.join(" ");
}

function exchangeWords(p05, now, takt) {
  if (p05 < 1) return t("An exchange is possible at a panel boundary only; the panel in work may be its last.");
  const last = p05 === 1 ? t("after the panel in work") : t("after {panels}", { panels: panels(p05) });
  const about = now && takt && clock(new Date(Date.parse(now) + p05 * takt * 1000), now);
  const when = about ? t("{last}, about {clock}", { last, clock: about }) : last;
  return t("An exchange is possible at a panel boundary only. The last before it may be empty is {when}.", { when });
}

function actsOn(slotNow, keep) {
  const said = make("p", { class: "said", role: "status" });
  const tell = act.teller(said, say);
  const button = (label, does, first = false) => {
    const own = make("button", { type: "button", class: first ? "first" : null }, label);
    act.pressable(own, () => does(slotNow(), keep.slot), tell);
    return own;
  };
  const load = button(t("Loaded a new one"), act.loadUsual, true);
  const buttons = make("div", { class: "buttons" }, load, button(t("Loaded, another quantity"), act.loadQuantity),
    button(t("Counted what is left"), act.counted), button(t("Taken out"), act.remove));
  return { elements: [buttons, said], show: () => say(load, ofKind(slotNow().kind, LOADED)) };
}

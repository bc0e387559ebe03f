// The stations of a line in one strip: what the tower says, whether the gateway is linked, what to doubt.

import { arrange, draw, make, say } from "./dom.js";
import { t } from "./language.js";
import { age, clock, lamps, number, reading } from "./words.js";

const QUIET_FOR_SECONDS = 120;
const LAMP_ORDER = ["red", "yellow", "green", "blue", "white"];

export function stations() {
  const known = new Map();
  const element = make("ul", { class: "stations", "aria-label": t("Stations") });

  function show({ stations: rows, order }, now) {
    arrange(element, rows.map((row) => {
      if (!known.has(row.station)) known.set(row.station, station());
      known.get(row.station).show(row, order, now);
      return known.get(row.station).element;
    }));
  }
  return { element, show };
}

function station() {
  const name = make("b");
  const tower = draw("svg", { class: "tower", "aria-hidden": "true" });
  const says = make("span", { class: "says" });
  const lit = make("span", { class: "lamps" });
  const link = make("span", { class: "link" });
  const rest = make("span", { class: "rest" });
  const element = make("li", {}, tower, make("div", {}, make("p", {}, name, " · ", says), make("p", {}, lit, link, rest)));

  function show(row, order, now) {
    say(name, row.station);
    say(says, row.tower ? reading(row.tower.reading) : t("no tower heard"));
    say(lit, row.tower ? `${t("Tower: {lamps}.", { lamps: lamps(row.tower) })} ` : "");
    showLink(link, row.link);
    say(rest, [...progressOf(row, order), ...doubtsOf(row, now)].join(" "));
    const needs = ["fault", "out", "low"].includes(row.tower?.reading) ? row.tower.reading : "none";
    element.dataset.needs = row.link?.state === "offline" ? "link" : needs;
    drawTower(tower, row.tower);
  }
  return { element, show };
}

function showLink(link, state) {
  const lost = state?.state === "offline";
  link.classList.toggle("bad", lost);
  say(link, !state ? t("Link not reported.") : lost ? `✕ ${lostWords(state)}` : t("Linked."));
}

const lostWords = ({ since }) => (since ? t("Link lost since {clock}.", { clock: clock(since) }) : t("Link lost."));

function progressOf({ order_done: done, order_done_estimated: estimated }, order) {
  if (!order?.panels || done === null || done === undefined) return [];
  const far = { done: number(done), all: number(order.panels) };
  return [estimated ? t("{done} of {all} panels, estimated.", far) : t("{done} of {all} panels.", far)];
}

function doubtsOf(row, now) {
  const doubts = [];
  const silent = row.as_of && now ? (Date.parse(now) - Date.parse(row.as_of)) / 1000 : 0;
  if (silent > QUIET_FOR_SECONDS) doubts.push(t("Last count {age} ago.", { age: age(silent) }));
  if (row.stale_since && row.link?.state !== "offline") {
    doubts.push(t("Not heard since {clock}.", { clock: clock(row.stale_since, Date.now()) }));
  }
  if (row.uncertain_since) doubts.push(t("Counts uncertain since {clock}.", { clock: clock(row.uncertain_since) }));
  if (row.clock_flagged) doubts.push(t("Its clock is off."));
  return doubts;
}

function drawTower(picture, tower) {
  const stack = LAMP_ORDER.filter((colour) => tower && colour in tower.lamps);
  picture.setAttribute("viewBox", `0 0 16 ${Math.max(1, stack.length) * 11 + 3}`);
  picture.replaceChildren(...stack.map((colour, index) => {
    const lamp = tower.lamps[colour];
    const glass = draw("rect", { x: 2, y: index * 11 + 2, width: 12, height: 9, rx: 2, class: `lamp ${colour} ${lamp}` });
    const beam = lamp === "flashing" && draw("path", { d: `M5 ${index * 11 + 6.5}h6`, class: "beam" });
    return draw("g", {}, glass, beam);
  }));
}

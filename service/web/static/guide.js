// One slot: what to bring, when it may be exchanged, the cautions, the steps, and the box for the new supply's label.

import { pressable, teller } from "./act.js";
import { arrange, draw, make, say } from "./dom.js";
import { t } from "./language.js";
import { scanner } from "./scan.js";
import { clock, panels, sentence, whatToBring } from "./words.js";

const WAYS = { joined: t("Splice on"), loaded: t("Change it") };
const SHAPES = {
  now: ["path", { d: "M-8 0-3 6 8-7", class: "line" }],
  wait: ["path", { d: "M-7-8h5V8h-5zM2-8h5V8H2z" }],
  look: ["path", { d: "M-9 0Q0-10 9 0 0 10-9 0zM0-3a3 3 0 1 1-.01 0", class: "line" }],
};

/** `heard(text)` gets the label; `undo(event)` takes the last exchange back. */
export function guideView(wants, { heard, undo, back, planned, way: asked, news = "" }) {
  let way = wants.ways.some((each) => each.change === asked) ? asked : wants.ways[0].change;
  const steps = stepList();
  const box = scanner(heard, { label: t("Label of the new supply") });
  const moment = boundaryLine();
  const stop = make("p", { class: "note" });
  const element = make("section", { class: "guide", "aria-labelledby": "guide-title" },
    title(wants), make("p", { class: "news", role: "status" }, news),
    make("p", { class: "bring" }, make("b", {}, bringWords(wants)), ...instead(wants)), justNow(wants, undo), moment.element, stop,
    cautionList(wants.cautions),
    wants.ways.length > 1 && ways(wants, way, (next) => { way = next; show(); }),
    box.element, steps.element,
    make("div", { class: "buttons" }, make("button", { type: "button", click: back }, t("Another slot"))));

  function show() {
    steps.show(wants, way);
    say(stop, plannedWords(planned()));
    stop.hidden = !stop.textContent;
  }
  moment.show(wants.boundary);
  return { element, show, stop: box.stop, way: () => way, boundary: (next) => moment.show(next.boundary) };
}

function plannedWords(stop) {
  if (!stop) return "";
  if (!stop.panels) return t("Planned: a stop now, before the next panel begins.");
  const far = panels(stop.panels);
  return stop.at ? t("Planned: the stop in {far}, about {clock}.", { far, clock: clock(stop.at) }) : t("Planned: the stop in {far}.", { far });
}

/** What comes before anything that hands do. */
export function cautionList(cautions) {
  return make("div", { class: "cautions" }, make("h3", {}, t("First")),
    make("ul", {}, ...cautions.map(({ said }) => make("li", {}, sentence(said)))));
}

/** What hands do, in order. */
export function stepList() {
  const list = make("ol", { class: "steps" });
  const element = make("div", {}, make("h3", {}, t("Then")), list);
  const show = (wants, way) => arrange(list,
    wants.ways.find((each) => each.change === way).steps.map(({ said }) => make("li", {}, sentence(said))));
  return { element, show };
}

function title({ slot, station, line }) {
  return make("h2", { id: "guide-title", tabindex: "-1" }, make("span", { class: "slot" }, slot), " ",
    make("span", { class: "where" }, `${station} · ${t("line {line}", { line })}`));
}

function bringWords({ wanted, kind, slot, ready }) {
  const what = whatToBring({ supply_kind: kind, part: wanted.part, slot });
  if (!wanted.part) return t("Bring {what}. No recipe says which part.", { what });
  if (wanted.order) return t("Bring {what}, for order {order}.", { what, order: wanted.order });
  return ready ? t("Bring {what}: one stands ready.", { what }) : t("Bring {what}.", { what });
}

const instead = ({ wanted }) => (wanted.instead.length
  ? [" ", make("span", { class: "note" }, t("{parts} will do as well.", { parts: wanted.instead.join(", ") }))] : []);

/** When it may be exchanged, as a shape and in words; it changes with the panels. */
export function boundaryLine() {
  const mark = make("span", { class: "mark", "aria-hidden": "true" });
  const words = make("span", {});
  const element = make("p", { class: "moment" }, mark, words);

  function show(boundary) {
    const shape = !boundary.needed || boundary.now ? "now" : boundary.now === false ? "wait" : "look";
    if (element.dataset.shape !== shape) {
      const [tag, attributes] = SHAPES[shape];
      mark.replaceChildren(draw("svg", { viewBox: "-11 -11 22 22", class: "icon" }, draw(tag, attributes)));
      element.dataset.shape = shape;
    }
    say(words, sentence(boundary.said));
  }
  return { element, show };
}

/** Another was quicker, or this page was opened again: the exchange of a moment ago can still be taken back. */
function justNow({ undo: kept }, undo) {
  if (!kept) return null;
  const said = make("p", { class: "said", role: "status" });
  const button = make("button", { type: "button" }, t("Undo it"));
  pressable(button, () => undo(kept.event), teller(said, say));
  const words = kept.by
    ? t("{person} exchanged it a moment ago: {part}.", { person: kept.by, part: kept.part ?? t("part not known") })
    : t("It was exchanged a moment ago: {part}.", { part: kept.part ?? t("part not known") });
  return make("div", { class: "just" }, make("p", {}, words), button, said);
}

function ways({ ways: all }, chosen, choose) {
  return make("div", { class: "whose", role: "radiogroup", "aria-label": t("How") }, ...all.map(({ change }) =>
    make("label", {}, make("input", { type: "radio", name: "way", value: change, checked: change === chosen, change: () => choose(change) }),
      make("span", {}, WAYS[change]))));
}

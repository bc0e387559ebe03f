// What is left in a slot, as a small picture and in figures: by the book, low, expected, high.

import { draw, make, say } from "./dom.js";
import { t } from "./language.js";
import { number } from "./words.js";

const TERMS = {
  book: [t("By the book"), t("declared minus counted")],
  low: [t("At least"), t("all but 1 in 20 hold more")],
  expected: [t("Expected"), t("the mean of what is believed")],
  high: [t("At most"), t("all but 1 in 20 hold less")],
};

export function leftPicture() {
  const picture = draw("svg", { class: "left-picture", "aria-hidden": "true" });
  const values = Object.fromEntries(Object.keys(TERMS).map((key) => [key, make("dd")]));
  const list = make("dl", { class: "left" }, ...Object.entries(TERMS).map(([key, [term, meaning]]) =>
    make("div", { class: key }, make("dt", {}, term, make("small", {}, meaning)), values[key])));
  const nothing = make("p", { class: "calm" }, t("Not known: nobody has said how many parts are loaded."));
  const element = make("div", {}, picture, list, nothing);

  function show({ remaining }, declared) {
    const known = remaining !== null && remaining.expected !== null;
    picture.toggleAttribute("hidden", !known);
    list.hidden = !known;
    nothing.hidden = known;
    if (!known) return;
    for (const key of Object.keys(TERMS)) say(values[key], words(remaining[key]));
    picture.replaceChildren(...drawn(remaining, declared));
  }
  return { element, show };
}

const words = (value) => (value === null ? t("not known") : number(Math.round(value)));

/** A bar from nothing to what was declared: sure to `low`, perhaps to `high`, a mark where it is expected to be. */
function drawn({ book, low, expected, high }, declared) {
  const full = Math.max(declared ?? 0, book ?? 0, high, 1);
  const at = (parts) => `${(Math.min(Math.max(parts / full, 0), 1) * 100).toFixed(2)}%`;
  const bar = (from, to, kind) =>
    draw("rect", { x: at(from), y: 16, height: 16, width: at(to - from), class: kind });
  const upright = (parts, kind) => draw("line", { x1: at(parts), x2: at(parts), y1: 10, y2: 38, class: kind });
  return [
    bar(0, full, "way"), bar(0, low, "sure"), low < high && bar(low, high, "perhaps"),
    book !== null && upright(book, "book"),
    draw("svg", { x: at(expected), y: 24, overflow: "visible", class: "mark ok" }, draw("circle", { r: 6, class: "sign-ok" })),
    ...[[0, "0", "start"], [full, number(full), "end"]].map(([parts, word, anchor]) =>
      draw("text", { x: at(parts), y: 54, "text-anchor": anchor }, word)),
  ].filter(Boolean);
}

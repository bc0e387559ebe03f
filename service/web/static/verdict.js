// Right or wrong, large, in a word, a sentence and a shape of its own; then quantity and lot, and the last word.

import { pressable, teller } from "./act.js";
import { draw, make, say } from "./dom.js";
import { boundaryLine, cautionList, stepList } from "./guide.js";
import { t } from "./language.js";
import { sentence } from "./words.js";

const SHAPES = {
  right: [["circle", { r: 19 }], ["path", { d: "M-9 0-2 8 10-7", class: "cut" }]],
  substitute: [["circle", { r: 19 }], ["path", { d: "M-10-3q5-6 10 0t10 0M-10 6q5-6 10 0t10 0", class: "cut" }]],
  wrong: [["path", { d: "M-19-19H19V19H-19z" }], ["path", { d: "M-9-9 9 9M9-9-9 9", class: "cut" }]],
  expired: [["path", { d: "M-19-19H19V19H-19z" }], ["path", { d: "M-9-11H9L-9 11H9z", class: "cut" }]],
  unknown: [["path", { d: "M0-20 20 0 0 20-20 0z" }], ["path", { d: "M-5-5a5 5 0 1 1 7 4.5Q0 1 0 4M0 9v1", class: "cut" }]],
};
const WORDS = {
  right: t("Right"), substitute: t("Right: a substitute"), wrong: t("Wrong part"), expired: t("Expired"),
  unknown: t("Not known: compare it yourself"),
};
const CONFIRM = { joined: t("It is spliced on"), loaded: t("It is loaded") };
const REFUSED = ["wrong", "expired"];

/** `load(given)` and `anyway(given)` get quantity and lot; `again()` goes back to the label. */
export function verdictView(check, wants, { again, load, anyway }) {
  const refused = REFUSED.includes(check.verdict);
  const moment = boundaryLine();
  const steps = stepList();
  moment.show(check.boundary);
  steps.show(wants, wants.way);
  const fields = form(check);
  const said = make("p", { class: "said", role: "status" });
  const tell = teller(said, say);
  const button = (words, act, first) => {
    const element = make("button", { type: "button", class: first && "first" }, words);
    pressable(element, async () => (fields.element.reportValidity() ? act(fields.given()) : null), tell);
    return element;
  };
  const another = make("button", { type: "button", class: refused && "first", click: again }, t("Scan another"));
  const buttons = refused
    ? [another, button(t("Load it all the same…"), anyway)]
    : [button(CONFIRM[wants.way], load, true), another];
  const element = make("section", { class: "judged", "aria-labelledby": "verdict-title", "data-verdict": check.verdict },
    make("div", { class: "verdict" }, picture(check.verdict),
      make("div", {}, make("h2", { id: "verdict-title", tabindex: "-1" }, WORDS[check.verdict]), make("p", {}, sentence(check.said)))),
    refused && make("p", { class: "told" }, refusedWords(check, wants)),
    ...check.warnings.map((warning) => make("p", { class: "odd" }, sentence(warning.said))),
    fields.element, check.boundary.needed && !refused && moment.element,
    !refused && cautionList(wants.cautions.slice(1)), !refused && steps.element,
    make("div", { class: "buttons" }, ...buttons), said);
  fields.element.addEventListener("submit", (event) => {
    event.preventDefault(); // a scanner ends with Enter, and that isn't the last word
    buttons[0].focus();
  });
  return { element, boundary: (next) => moment.show(next.boundary) };
}

export function picture(verdict) {
  return draw("svg", { viewBox: "-21 -21 42 42", class: "shape", "aria-hidden": "true" }, ...SHAPES[verdict].map(([tag, attributes]) => draw(tag, attributes)));
}

function refusedWords({ verdict, notice }, { station, slot }) {
  if (verdict === "expired") return t("Don't load it. Nothing was loaded in {place}.", { place: `${station} ${slot}` });
  return notice
    ? t("Don't load it. Nothing was loaded in {place}; those who hear of it are told.", { place: `${station} ${slot}` })
    : t("Don't load it. Nothing was loaded in {place}.", { place: `${station} ${slot}` });
}

/** What is known of the supply; quantity and lot may be put right. */
function form({ read, quantity }) {
  const number = make("input", { name: "quantity", inputmode: "numeric", pattern: "[0-9]{1,15}", maxlength: "15", autocomplete: "off", value: quantity ?? "" });
  const lot = make("input", { name: "lot", maxlength: "200", autocomplete: "off", value: read.lot ?? "" });
  const element = make("form", { class: "supply" },
    make("dl", {}, fact(t("Part"), read.part ?? t("part not known")), read.supply && fact(t("Supply"), read.supply)),
    make("div", { class: "pair" }, make("label", { class: "field" }, make("span", {}, t("Parts")), number),
      make("label", { class: "field" }, make("span", {}, t("Lot")), lot)));
  return { element, given: () => ({ quantity: number.value ? Number(number.value) : null, lot: lot.value.trim() || null }) };
}

const fact = (name, value) => make("div", {}, make("dt", {}, name), make("dd", {}, value));

// Asks what was done to a supply: each gives what is to be said beside the change; null: the person thought better of it.

import { field, open } from "./ask.js";
import { make } from "./dom.js";
import { t } from "./language.js";

function when(label) {
  return field(label, t("By the clock of this device; now, if empty."), { name: "at", type: "datetime-local" });
}

/** Of what lies open already, only when it began to is news. */
function whenItWas(label) {
  return field(label, t("By the clock of this device."), { name: "at", type: "datetime-local", required: true });
}

const timed = (given) => (given.at ? { at: new Date(given.at).toISOString() } : {});
const cautions = () => document.getElementById("care-text").content.cloneNode(true);

export async function opened({ supply, floor_life: life }) {
  const given = await open(t("{supply} was opened?", { supply }), [
    make("p", {}, t("From then on its parts lie open and its floor life runs.")),
    (life?.lies === "exposed" ? whenItWas : when)(t("When?")),
  ], t("Yes, it is open"), t("No"));
  return given && timed(given);
}

export async function inTheDry({ supply }) {
  const humidities = [[t("10 % RH or less"), 10], [t("5 % RH or less"), 5], [t("Not known: as configured"), ""]];
  const given = await open(t("{supply} is in the dry cabinet?", { supply }), [
    make("fieldset", { class: "choices" }, make("legend", {}, t("How dry is it there?")), ...humidities.map(([words, value], index) =>
      make("label", {}, make("input", { type: "radio", name: "humidity", value, checked: index === 2 }), words))),
    when(t("Since when?")),
  ], t("Yes, it is in"), t("No"));
  return given && { ...timed(given), ...(given.humidity && { humidity: Number(given.humidity) }) };
}

export async function baked({ supply }) {
  const given = await open(t("The bake of {supply} is complete?", { supply }), [
    make("p", {}, t("Its floor life begins anew at the end of the bake.")), cautions(), when(t("When did it end?")),
  ], t("Yes, baked to the end"), t("No"));
  return given && timed(given);
}

/** Gives its name and what is said of it. */
export async function another() {
  const given = await open(t("Another supply was opened?"), [
    field(t("Name of the supply"), t("As on its label or carrier."), { name: "supply", required: true, maxlength: 256, autofocus: true }),
    field(t("Part"), null, { name: "part", maxlength: 256 }),
    field(t("Moisture level"), t("Such as 3, 2a or 6; as configured for the part, if empty."), { name: "level", maxlength: 8 }),
    field(t("Hours on the label"), t("For level 6 alone."), { name: "hours", inputmode: "decimal", pattern: "[0-9]{1,5}([.,][0-9]+)?" }),
    when(t("When?")),
  ], t("Yes, it is open"), t("Not now"), { typing: true });
  if (!given) return null;
  const body = { change: "opened", ...timed(given), ...(given.part.trim() && { part: given.part.trim() }),
    ...(given.level.trim() && { moisture_level: given.level.trim() }),
    ...(given.hours && { floor_hours: Number(given.hours.replace(",", ".")) }) };
  return { supply: given.supply.trim(), body };
}

// Which lines a page is about: all, those of this device, or one. It stands in the address, so a link says the same.

import { make } from "./dom.js";
import { kept } from "./kept.js";
import { t } from "./language.js";

const MINE = "*";
const asked = new URLSearchParams(location.search);

/** The one line that was asked for; null: all, or those of this device. */
export const only = asked.get("line");
const areMine = !only && asked.get("lines") === "mine";

/** Of these lines the ones to show. */
export function chosen(lines) {
  if (only) return lines.filter((line) => line === only);
  return areMine ? lines.filter((line) => kept("lines", []).includes(line)) : lines;
}

export function lineChoice() {
  const select = make("select", { change: () => choose(select.value) });
  const element = make("label", {}, make("span", {}, t("Line")), select);

  function show(lines) {
    const names = [...new Set([...lines, ...(only ? [only] : [])])].sort();
    element.hidden = names.length < 2;
    if (select.dataset.lines === String(names)) return;
    select.dataset.lines = names;
    const options = [["", t("All lines")], ...(kept("lines", []).length ? [[MINE, t("My lines")]] : []), ...names.map((name) => [name, name])];
    select.replaceChildren(...options.map(([value, words]) =>
      make("option", { value, selected: value === (only ?? (areMine ? MINE : "")) }, words)));
  }
  return { element, show };
}

function choose(value) {
  const query = new URLSearchParams(location.search);
  query.delete("line");
  query.delete("lines");
  if (value === MINE) query.set("lines", "mine");
  else if (value) query.set("line", value);
  location.assign(`${location.pathname}${query.size ? `?${query}` : ""}`);
}

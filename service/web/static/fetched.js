// What to fetch for one line: walks first, then each part with what stands ready of it, which a person ticks here.

import { pressable, teller } from "./act.js";
import { path, post } from "./api.js";
import { who } from "./ask.js";
import { arrange, make, say } from "./dom.js";
import { number, t } from "./language.js";
import { redraw } from "./redrawn.js";
import { box, named, place, soMany } from "./supplies.js";
import { clock } from "./words.js";

const MOST_BOXES = 12;
const nameOf = (row) => row.part ?? place(row.for[0]);

/** The list of a line; `again()` is called after a tick, `also` are links beside its name. */
export function lineList(line, again, also) {
  const walks = make("ul", { class: "walks", "aria-label": t("What to fetch") });
  const none = make("p", { class: "calm" });
  const rows = make("ul", { class: "parts", "aria-label": t("Parts of line {line}", { line }) });
  const doubts = make("ul", { class: "doubts" });
  const known = new Map();
  const element = make("section", { class: "line-list" },
    make("div", { class: "heading" }, make("h3", {}, t("Line {line}", { line })), ...also), none, walks, rows, doubts);

  function show(found) {
    say(none, found.walks.length ? "" : noneWords(found));
    redraw(walks, [found.walks, found.at], () => found.walks.map((walk) => walkItem(walk, found.at)));
    arrange(rows, found.parts.map((row) => {
      const key = `${row.kind}/${nameOf(row)}`;
      if (!known.has(key)) known.set(key, part(line, again));
      known.get(key).show(row, found.at);
      return known.get(key).element;
    }));
    redraw(doubts, [found.unknown, found.parts.map((row) => row.at_least)], () => doubtWords(found).map((words) => make("li", {}, words)));
  }
  return { element, show };
}

function noneWords({ parts, until, at }) {
  const far = { clock: clock(until, at) };
  if (parts.some((row) => row.supplies)) return t("All that is needed until {clock} stands ready, by what is known.", far);
  return t("Nothing to fetch until {clock}, by what is known.", far);
}

function walkItem(walk, at) {
  const items = walk.items.map((item) => named(item.kind, item.supplies, item.part, item.for));
  const when = walk.by ? t("by {clock}", { clock: clock(walk.by, at) }) : t("when isn't known");
  return make("li", {}, make("b", {}, when), ...items.flatMap((words, index) => [" ", make("span", {}, words + (index < items.length - 1 ? "," : ""))]));
}

/** One part: how many, by when, where they go, how many are there and who said so. */
function part(line, again) {
  let row = null;
  const name = make("b", { class: "part" });
  const sum = make("span", { class: "sum" });
  const where = make("p", { class: "where" });
  const boxes = make("span", { class: "boxes", "aria-hidden": "true" });
  const there = make("span", { class: "there" });
  const said = make("p", { class: "said", role: "status" });
  const tell = teller(said, say);
  const button = (words, supplies) => {
    const own = make("button", { type: "button" }, words);
    pressable(own, () => tick(line, row, supplies(row), again), tell);
    return own;
  };
  const one = button("", ({ ready }) => ready + 1);
  const all = button("", ({ supplies }) => supplies);
  const less = button(t("Take one back"), ({ ready }) => ready - 1);
  const acts = make("div", { class: "buttons ticks" }, one, all, less);
  const element = make("li", {}, make("p", { class: "what" }, name, " ", sum), where, make("p", { class: "state" }, boxes, " ", there), acts, said);

  function show(next, at) {
    row = next;
    const { supplies, ready, missing, kind } = row;
    element.dataset.there = missing === 0;
    say(name, nameOf(row));
    say(sum, sumWords(row, at));
    say(where, whereWords(row, at));
    redraw(boxes, [supplies, ready], () => boxesOf(supplies, ready));
    say(there, thereWords(row, at));
    const known = row.part !== null;
    one.hidden = !known || missing === 0;
    all.hidden = !known || missing < 2;
    less.hidden = ready === 0;
    acts.hidden = one.hidden && less.hidden;
    say(one, t("One is here"));
    say(all, t("All {supplies} are here", { supplies: soMany(kind, supplies) }));
    for (const [own, words] of [[one, t("One is here")], [all, all.textContent], [less, t("Take one back")]]) {
      own.setAttribute("aria-label", `${nameOf(row)}: ${words}`);
    }
  }
  return { element, show };
}

async function tick(line, row, supplies, again) {
  const by = await who();
  if (!by) return null;
  const now = await post(path("lines", line, "ready"), { part: row.part, kind: row.kind, supplies, by });
  again();
  return t("Noted: {ready} of {supplies} ready.", { ready: number(now.ready), supplies: soMany(row.kind, row.supplies) });
}

function sumWords({ supplies, kind, at_least: atLeast, by, missing }, at) {
  if (!supplies) return t("not needed until then");
  const sum = atLeast ? t("at least {supplies}", { supplies: soMany(kind, supplies) }) : soMany(kind, supplies);
  if (missing === 0) return sum;
  return by ? `${sum} · ${t("by {clock}", { clock: clock(by, at) })}` : `${sum} · ${t("when isn't known")}`;
}

/** Each slot once: how many, from when on, and whether they come with the next order. */
function whereWords(row, at) {
  const slots = new Map();
  for (const each of row.for) slots.set(place(each), [...(slots.get(place(each)) ?? []), each]);
  return [...slots].map(([where, mine]) => {
    const [first] = mine;
    const words = [mine.length > 1 ? `${where} (${number(mine.length)}×)` : where];
    if (first.changeover) words.push(t("with order {order}", first));
    if (first.by && slots.size > 1) words.push(clock(first.by, at));
    return words.join(" ");
  }).join("; ");
}

const boxesOf = (supplies, ready) =>
  Array.from({ length: Math.min(Math.max(supplies, ready), MOST_BOXES) }, (_, index) => box(index < ready));

function thereWords({ supplies, ready, kind, ticked }, at) {
  const words = supplies
    ? t("{ready} of {supplies} ready", { ready: number(ready), supplies: soMany(kind, supplies) })
    : t("{supplies} ready", { supplies: soMany(kind, ready) });
  return ticked ? `${words} · ${t("{person}, {clock}", { person: ticked.by, clock: clock(ticked.at, at) })}` : words;
}

/** What isn't known, in words; slots with the same doubt together. */
function doubtWords({ unknown, parts }) {
  const found = new Map();
  for (const { why, order, station, slot } of unknown) {
    const key = JSON.stringify([why, why === "recipe" || why === "end" ? order : null]);
    found.set(key, new Set([...(found.get(key) ?? []), slot === null ? station : place({ station, slot })]));
  }
  const more = parts.filter((row) => row.at_least).map((row) =>
    t("{part}: how many more isn't known, as nobody said how many parts a full supply holds.", { part: nameOf(row) }));
  return [...more, ...[...found].map(([key, places]) => why(...JSON.parse(key), [...places].join(", ")))];
}

function why(reason, order, places) {
  if (reason === "left") return t("{places}: how many parts are left isn't known.", { places });
  if (reason === "usage") return t("{places}: how many parts a panel takes isn't known.", { places });
  if (reason === "recipe") return t("{places}: the recipe of order {order} isn't known there.", { places, order });
  if (reason === "end") return t("{places}: whether it lasts for order {order} isn't known, nor when that begins.", { places, order });
  return t("{places}: how many parts a full supply holds isn't known.", { places });
}

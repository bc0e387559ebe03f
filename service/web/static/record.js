// How the promise of the warnings stands, and what finished supplies taught. Fetched anew every minute.

import { Failure, get } from "./api.js";
import { arrange, draw, icon, make, say } from "./dom.js";
import { many, t } from "./language.js";
import { clock, day, number, pageOf, panels, range } from "./words.js";
import "./shell.js";

const EVERY_MS = 60000;
const KINDS = { tape: t("Reels"), tray: t("Trays"), stick: t("Sticks"), bulk: t("Bulk cases") };
const BASES = {
  label: t("as declared"), partial: t("used before"), usual: t("usual quantity, assumed"), person: t("counted by a person"),
};
const byId = (id) => document.getElementById(id);
const kindWords = (kind) => KINDS[kind] ?? (kind === null ? t("Kind not said") : kind);
const SMALL = { tape: t("reels"), tray: t("trays"), stick: t("sticks"), bulk: t("bulk cases") };
const smallWords = (kind) => SMALL[kind] ?? kindWords(kind);
const between = (middle, low, high) => t("{middle} ({low} to {high})", { middle, low, high });
const percent = (share) => `${Math.round(share * 100)} %`;
const signed = (parts) => `${parts > 0 ? "+" : parts < 0 ? "−" : ""}${number(Math.abs(parts))}`;
const perThousand = (rate) => number(rate * 1000);
const few = (expected) => number(expected < 1 ? expected : Math.round(expected));
/** Whole warnings: a refill before the end counts by the chance that it would have been late. */
const had = ({ warnings, late }) => warnings - Math.round(late);

function askedWords(asked) {
  return asked.least === asked.most ? panels(asked.usual) : t("{range} panels", { range: range(asked.least, asked.most) });
}

function showPromise({ all, kinds }) {
  say(byId("promise"), all.warnings === 0
    ? t("No warning has been judged yet: that takes a supply that was warned of and then ran empty or was refilled.")
    : many(all.warnings, "Asked: {asked} before empty. {had} of {n} warning had them; at most {late} may come late.",
      "Asked: {asked} before empty. {had} of {n} warnings had them; at most {late} may come late.",
      { asked: askedWords(all.asked), had: number(had(all)), late: few(all.late_expected) }));
  const apart = all.apart === 0 ? "" : ` ${apartWords(all.apart)}`;
  byId("beside").hidden = all.warnings === 0;
  say(byId("beside"), t("Supplies that were refilled before they were empty count by the chance that they would have " +
    "been late.") + apart);
  const columns = [t("Kind"), t("Had them"), t("Late"), t("Never warned"), t("Refilled before"), t("Apart"),
    t("Inside the interval")];
  const rows = kinds.map(kindRow);
  arrange(byId("kinds"), rows.length === 0 ? [] : [table(t("Warnings by kind of supply"), columns, rows)]);
}

const apartWords = (n) => many(n,
  "{n} more warning couldn't come earlier, because the load or the order began below that, and stands apart.",
  "{n} more warnings couldn't come earlier, because the load or the order began below that, and stand apart.");

function kindRow(each) {
  const late = t("{late} (at most {most} expected)", { late: number(Math.round(each.late)), most: few(each.late_expected) });
  const alarm = each.notice && make("a", { href: `/notice/${encodeURIComponent(each.notice)}`, class: "broken" },
    icon("urgent"), t("more than chance explains"));
  return [kindWords(each.kind), ofAll(had(each), each.warnings),
    alarm ? make("span", {}, late, " ", alarm) : late, number(each.missed), number(each.refilled_before),
    number(each.apart), ofEnded(each.interval)];
}

const ofAll = (some, all) => t("{some} of {all}", { some: number(some), all: number(all) });
const ofEnded = ({ covered, ended }) => (ended ? ofAll(covered, ended) : t("none ended"));

/** A table that turns into cards where it is narrow: each cell knows its column's name. */
function table(caption, columns, rows) {
  const heads = columns.map((name) => make("th", { scope: "col" }, name));
  return make("table", {}, make("caption", { class: "unseen" }, caption),
    make("thead", {}, make("tr", {}, ...heads)),
    make("tbody", {}, ...rows.map(([first, ...rest]) => make("tr", {}, make("th", { scope: "row" }, first),
      ...rest.map((cell, index) => make("td", {},
        make("span", { class: "column" }, columns[index + 1]), make("span", {}, cell)))))));
}

function showTenths({ all }) {
  const { covered, ended } = all.interval;
  say(byId("covered"), ended === 0
    ? t("No supply that was warned of was seen to its end yet.")
    : many(ended, "{covered} of {n} supply ({percent}) ended inside the range that its warning gave; 90 % should.",
      "{covered} of {n} supplies ({percent}) ended inside the range that their warning gave; 90 % should.",
      { covered: number(covered), percent: percent(covered / ended) }) + " " +
      t("Below: in which tenth of its forecast each ended. Where the forecast is right each tenth gets as many; " +
      "where people refill before empty, mostly the early ends are seen."));
  arrange(byId("tenths"), ended === 0 ? [] : [histogram(all.deciles), tenthsTable(all.deciles)]);
}

const tenthName = (index) => `${index * 10}–${index * 10 + 10} %`;

/** Bars with the line at which all would stand. The table below says the same. */
function histogram(deciles) {
  const total = deciles.reduce((sum, each) => sum + each, 0);
  const expected = total / 10;
  const most = Math.max(...deciles, expected * 1.5);
  const at = (value) => `${(100 - (value / most) * 100).toFixed(2)}%`;
  const bars = deciles.map((value, index) => draw("rect", {
    x: `${index * 10 + 1}%`, width: "8%", y: at(value), height: `${((value / most) * 100).toFixed(2)}%`, class: "sure",
  }));
  const line = draw("line", { x1: 0, x2: "100%", y1: at(expected), y2: at(expected), class: "expected" });
  return make("figure", { class: "tenths", "aria-hidden": "true" },
    draw("svg", {}, ...bars, line),
    make("figcaption", {}, make("span", {}, t("sooner than told")), make("span", { class: "line-says" },
      t("line: {n} in each", { n: number(expected) })), make("span", {}, t("later than told"))));
}

function tenthsTable(deciles) {
  const total = deciles.reduce((sum, each) => sum + each, 0);
  const rows = deciles.map((value, index) => make("li", {}, make("span", {}, tenthName(index)), make("b", {}, number(value))));
  return make("details", {}, make("summary", {}, t("The same in figures")),
    make("p", { class: "note" },
      t("Ends by tenth of the forecast, the soonest first; {n} are expected in each.", { n: number(total / 10) })),
    make("ol", { class: "tenths-list" }, ...rows));
}

function showLate({ last_late: late }) {
  byId("none-late").hidden = late.length > 0;
  arrange(byId("late"), late.map((each) => make("li", {}, make("a", { href: pageOf(each) },
    make("b", {}, `${each.station} ${each.slot}`),
    ` ${t("line {line}", { line: each.line })} · ${day(each.at)} ${clock(each.at)} · ${lateWords(each)}`))));
}

function lateWords({ asked, given, missed }) {
  if (missed) return t("empty without a warning");
  if (given === null) return t("refilled before, probably late");
  return t("{panels} instead of {asked}", { panels: panels(given), asked: number(asked) });
}

function showLearned(rows) {
  byId("none-learned").hidden = rows.length > 0;
  arrange(byId("learned"), rows.length === 0 ? [] : [table(t("What finished supplies taught"),
    [t("Supply"), t("Finished"), t("Holds against what is said, in parts"), t("Lost in 1,000")], rows.map(lesson))]);
}

function lesson({ kind, part, finished, loss_rate: rate, bases }) {
  const name = part === null ? kindWords(kind) : make("span", {}, part, " ", make("small", {}, smallWords(kind)));
  const words = bases.map((each) => make("span", { class: "basis" }, basisWords(each)));
  const losses = rate === null ? t("not known yet")
    : between(perThousand(rate.usual), perThousand(rate.low), perThousand(rate.high));
  return [name, number(finished), make("span", { class: "bases" }, ...words), losses];
}

function basisWords({ basis, ends, shortage }) {
  const said = `${BASES[basis] ?? basis}, ${many(ends, "{n} end", "{n} ends")}: `;
  if (shortage === null) return said + t("taken at its word");
  return said + between(signed(shortage.p50), signed(shortage.p05), signed(shortage.p95));
}

async function show() {
  try {
    const [record, learned] = await Promise.all([get("/record"), get("/learned?limit=200")]);
    showPromise(record);
    showTenths(record);
    showLate(record);
    showLearned(learned);
    document.body.dataset.shown = "record";
  } catch (failure) {
    if (!(failure instanceof Failure)) throw failure;
    say(byId("promise"), failure.message);
  }
}

show();
setInterval(() => document.hidden || show(), EVERY_MS);

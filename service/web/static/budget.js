// How many messages each person got, against what people can follow. Fetched anew every minute.

import { Failure, get } from "./api.js";
import { bars, byHour } from "./bars.js";
import { arrange, icon, make, say } from "./dom.js";
import { many, number, t } from "./language.js";
import { clock, day, pageOf } from "./words.js";
import "./shell.js";

const EVERY_MS = 60000;
const DAY_MS = 86400000;
const SPANS = [1, 7, 30];
const VERDICTS = {
  "very likely acceptable": t("very likely acceptable"), manageable: t("manageable"), "too much": t("too much"),
};
const byId = (id) => document.getElementById(id);
const asked = Number(new URLSearchParams(location.search).get("days"));
const days = SPANS.includes(asked) ? asked : 1;
const percent = (share) => t("{n} %", { n: number(share * 100) });
const opened = new Set();

function showSpans() {
  byId("spans").replaceChildren(...SPANS.map((span) => make("a", {
    href: `?days=${span}`, class: "button", "aria-current": span === days ? "page" : null,
  }, many(span, "{n} day", "{n} days"))));
}

function showPromise({ people }) {
  const over = people.filter((each) => each.verdict === "too much");
  const flooded = people.filter((each) => each.floods.length);
  const most = Math.max(0, ...people.map((each) => each.per_hour ?? 0));
  if (people.length === 0) say(byId("promise"), t("Nobody is told anything: no outlet reaches people."));
  else if (over.length) say(byId("promise"), t("Too much for {names}.", { names: names(over) }));
  else if (flooded.length) say(byId("promise"), t("No average is too much, but there were floods: {names}.", { names: names(flooded) }));
  else say(byId("promise"), t("Nobody gets more than people can follow: at most {n} messages an hour on average.", { n: number(most) }));
}

const names = (people) => people.map((each) => each.who).join(", ");

function showPeople(told) {
  arrange(byId("people"), told.people.map((each) => person(each, told)));
}

function person(each, told) {
  const { who, verdict } = each;
  return make("article", { class: "person", "data-verdict": verdict },
    make("h3", {}, who),
    make("p", { class: "verdict" }, verdict === "too much" && icon("urgent"), verdictWords(each)),
    bars(each, told),
    each.floods.length > 0 && make("ul", { class: "floods", "aria-label": t("Floods") }, ...each.floods.map(floodRow)),
    measures(each, told.benchmarks),
    inFigures(each, told));
}

function verdictWords({ messages, per_hour: average, verdict }) {
  if (messages === 0) return t("No message in this time.");
  return t("{messages}, {average} an hour: {verdict}", {
    messages: many(messages, "{n} message", "{n} messages"), average: number(average), verdict: VERDICTS[verdict] ?? verdict,
  });
}

function floodRow({ from, to }) {
  const begin = `${day(from)} ${clock(from)}`;
  return make("li", {}, icon("urgent"), to === null
    ? t("A flood since {begin}, still going on", { begin })
    : t("A flood from {begin} to {end}", { begin, end: clock(to) }));
}

/** Each figure with what is good, and marked where it is more than that. */
function measures(each, limits) {
  if (each.messages === 0) return null;
  const rows = [
    [t("In an hour, on average"), each.per_hour, limits.per_hour, number],
    [t("In ten minutes, on average"), each.per_ten_minutes, limits.per_ten_minutes, number],
    [t("In a day, on average"), each.per_day, limits.per_day, number],
    [t("Most in ten minutes"), each.peak_ten_minutes, limits.peak_ten_minutes, number],
    [t("Time in a flood"), each.flood_share, limits.flood_share, percent],
    [t("Hours with more than 30"), each.crowded_hours, limits.crowded_hours, percent],
  ];
  return make("dl", { class: "measures" }, ...rows.map(([name, value, limit, words]) =>
    make("div", { class: value > limit.good ? "over" : null }, make("dt", {}, name), make("dd", {}, words(value)),
      make("dd", { class: "limit-says" }, limitWords(limit, words)))));
}

function limitWords({ good, most }, words) {
  return most === null
    ? t("good up to {good}", { good: words(good) })
    : t("good up to {good}, manageable up to {most}", { good: words(good), most: words(most) });
}

function inFigures(each, told) {
  if (each.messages === 0) return null;
  const own = make("details", { open: opened.has(each.who), toggle: () => {
    if (own.open) opened.add(each.who);
    else opened.delete(each.who);
  } }, make("summary", {}, t("The same in figures")), byHour(each, told));
  return own;
}

function showThings({ announced, levels, frequent, frequent_share: share, benchmarks }) {
  byId("none-frequent").hidden = frequent.length > 0;
  say(byId("levels"), announced === 0 ? "" : [
    many(announced, "{n} thing was said that calls for somebody.", "{n} things were said that call for somebody."),
    t("Early {early}, urgent {urgent}, empty {empty}; about {good_early}, {good_urgent} and {good_empty} are good.", {
      early: percent(levels.early / announced), urgent: percent(levels.urgent / announced), empty: percent(levels.empty / announced),
      good_early: percent(benchmarks.early.good), good_urgent: percent(benchmarks.urgent.good), good_empty: percent(benchmarks.empty.good),
    }),
    t("The ten below make {share} of all; {good} are good, {most} at most.", {
      share: percent(share), good: percent(benchmarks.frequent_share.good), most: percent(benchmarks.frequent_share.most),
    }),
  ].join(" "));
  arrange(byId("frequent"), frequent.map((each) => thing(each, many(each.times, "{n} time", "{n} times"))));
}

function showWrong({ chattering, fleeting, stale }) {
  byId("none-wrong").hidden = chattering.length + stale.length > 0;
  say(byId("fleeting"), fleeting === 0 ? "" : many(fleeting,
    "{n} notice ended by itself within a minute.", "{n} notices ended by themselves within a minute."));
  arrange(byId("chattering"), chattering.map((each) => thing(each, t("three times within a minute"))));
  arrange(byId("stale"), stale.map((each) =>
    thing(each, t("open since {when}", { when: `${day(each.since)} ${clock(each.since)}` }))));
}

function thing(each, words) {
  const { kind, line, station, slot, about, notice } = each;
  const where = [line, station, slot].filter(Boolean).join(" ") || about || kind;
  const what = kind === "supply" ? null : ` ${kind}`;
  const inside = [make("span", {}, make("b", {}, where), what), make("span", {}, words)];
  const href = notice ? `/notice/${encodeURIComponent(notice)}` : line && station && slot ? pageOf(each) : null;
  return make("li", {}, href ? make("a", { href }, ...inside) : make("span", { class: "plain" }, ...inside));
}

/** From the full hour on, so that bars are hours of the clock. */
function since() {
  const begin = new Date(Date.now() - days * DAY_MS);
  begin.setUTCMinutes(0, 0, 0);
  return begin.toISOString();
}

async function show() {
  try {
    const told = await get(days === 1 ? "/budget" : `/budget?from=${since()}`);
    showPromise(told);
    showPeople(told);
    showThings(told);
    showWrong(told);
    document.body.dataset.shown = "budget";
  } catch (failure) {
    if (!(failure instanceof Failure)) throw failure;
    say(byId("promise"), failure.message);
  }
}

showSpans();
show();
setInterval(() => document.hidden || show(), EVERY_MS);

// How each source of the floor is heard, and what one on trial would have counted. Fetched anew every few seconds.

import { Failure, get } from "./api.js";
import { arrange, icon, make, say } from "./dom.js";
import { many, number, t } from "./language.js";
import { tried } from "./tried.js";
import { age, clock, day, FORMATS } from "./words.js";
import "./shell.js";

const EVERY_MS = 10000;
const WEEK_MS = 6 * 86400000;
const HOUR_SECONDS = 3600;
const NAMED = 12;
const KINDS = {
  count: t("counts"), supply: t("supplies"), recipe: t("recipes"), order: t("orders"), tower: t("towers"), link: t("links"),
};
const byId = (id) => document.getElementById(id);
const shown = new Map();
/** With its weekday, or its date when that was longer ago. */
const moment = (at) => (Date.now() - new Date(at) < WEEK_MS ? clock(at, Date.now()) : `${day(at)} ${clock(at)}`);
const isUnheard = ({ state }) => state === "away" || state === "quiet";
const isTrial = ({ state }) => state === "trial";

function showVerdict(rows) {
  const unheard = rows.filter(isUnheard);
  const told = rows.filter((each) => each.notice && !isUnheard(each));
  const names = (those) => those.map((each) => each.source).join(", ");
  if (rows.every((each) => each.state === "elsewhere")) say(byId("verdict"), t("Another instance is in charge and listens: its page has the figures."));
  else if (unheard.length) say(byId("verdict"), t("No: not heard is {names}.", { names: names(unheard) }));
  else if (told.length) say(byId("verdict"), t("Yes, but much of what these say is refused: {names}.", { names: names(told) }));
  else say(byId("verdict"), t("Yes, all of them."));
}

/** What needs somebody first, else as configured. */
function inOrder(rows) {
  const weight = (each) => (isUnheard(each) ? 0 : each.notice ? 1 : 2);
  return rows.map((each, index) => [weight(each), index, each]).sort(([a, i], [b, j]) => a - b || i - j).map(([, , each]) => each);
}

function put(place, rows, made) {
  arrange(place, inOrder(rows).map((row) => {
    const key = `${row.source} ${isTrial(row)}`;
    if (!shown.has(key)) shown.set(key, made(row));
    shown.get(key).show(row);
    return shown.get(key).element;
  }));
}

function card({ source, format }, body) {
  const sign = make("span", { class: "sign" });
  const words = make("span");
  const more = make("p", { class: "more", hidden: true }, make("a", {}, t("The notice about it")));
  const element = make("article", { class: "way" },
    make("h3", {}, source, " ", make("small", {}, FORMATS[format] ?? format)),
    make("p", { class: "state" }, sign, words), body, more);
  return {
    element,
    show(row, needs, said) {
      element.toggleAttribute("data-needs", needs);
      say(words, said);
      sign.replaceChildren(...(needs ? [icon("urgent")] : []));
      more.hidden = row.notice === null;
      if (row.notice !== null) more.firstElementChild.href = `/notice/${encodeURIComponent(row.notice)}`;
    },
  };
}

function source(row) {
  const facts = make("dl", { class: "facts" });
  const own = card(row, facts);
  return {
    element: own.element,
    show(now) {
      own.show(now, isUnheard(now) || now.notice !== null, stateWords(now));
      facts.replaceChildren(...factsOf(now).flatMap(([what, value, small]) =>
        [make("dt", {}, what), make("dd", {}, value, small ? make("small", {}, small) : null)]));
    },
  };
}

function stateWords({ state, trouble, silent_since: since, figures }) {
  if (state === "elsewhere") return t("Another instance listens to it.");
  if (state === "away") return since ? t("Its broker hasn't been reached since {clock}.", { clock: moment(since) }) : t("Its broker isn't reached.");
  if (state === "quiet") return since ? t("It has said nothing since {clock}.", { clock: moment(since) }) : t("It says nothing.");
  if (!figures?.last_heard) return trouble ?? t("It is reached; nothing was heard yet.");
  const passed = (Date.now() - Date.parse(figures.last_heard)) / 1000;
  return passed < HOUR_SECONDS ? t("Heard {age} ago.", { age: age(Math.max(0, passed)) }) : t("Last heard {clock}.", { clock: moment(figures.last_heard) });
}

function factsOf({ leads_to: host, topics, trouble, figures, silent_after: patience }) {
  const facts = [[t("Leads to"), host, topics.join(", ")]];
  if (trouble) facts.push([t("Trouble"), trouble]);
  if (patience !== null) facts.push([t("Silent after"), t("{n} s", { n: number(patience) })]);
  return figures ? [...facts, ...figuresOf(figures)] : facts;
}

function figuresOf(figures) {
  const { messages, said, repeats, refused, last_refusal: last, missing, gaps, clocks } = figures;
  const facts = [
    [t("Last message"), figures.last_heard ? moment(figures.last_heard) : t("none yet"), rateWords(figures)],
    [t("Messages"), t("{n} since {clock}", { n: number(messages), clock: moment(figures.since) }), kindsOf(said)],
  ];
  if (repeats) facts.push([t("Said before"), number(repeats)]);
  if (refused) facts.push([t("Refused"), number(refused), last && `${moment(last.at)}: ${last.reason}`]);
  if (missing) facts.push([t("Missing"), many(missing, "{n} message", "{n} messages")]);
  if (gaps) facts.push([t("Gaps"), many(gaps, "{n} time", "{n} times")]);
  if (clocks) facts.push([t("Its clocks"), clockWords(clocks.median), worstWords(clocks)]);
  const flagged = figures.stations.filter((each) => each.clock_flagged);
  if (flagged.length) facts.push([t("Clock is off"), placesOf(flagged)]);
  facts.push([t("Stations"), number(figures.stations.length), placesOf(figures.stations)]);
  return facts;
}

const rateWords = ({ per_minute: rate }) => (rate === null ? null : t("{n} a minute, over five minutes", { n: number(rate) }));
const kindsOf = (said) => Object.entries(said).sort(([, a], [, b]) => b - a).map(([kind, n]) => `${KINDS[kind] ?? kind} ${number(n)}`).join(", ");

/** Below a second it is the way, not the clock. */
function clockWords(seconds) {
  if (Math.abs(seconds) < 1) return t("right");
  const far = { age: age(Math.abs(seconds)) };
  return seconds > 0 ? t("{age} ahead", far) : t("{age} behind", far);
}

function worstWords({ median, worst }) {
  const words = clockWords(worst);
  return words === clockWords(median) ? null : t("the worst {words}", { words });
}

function placesOf(stations) {
  const names = stations.slice(0, NAMED).map(({ line, station }) => `${line} ${station}`).join(", ");
  const more = stations.length - NAMED;
  return more > 0 ? t("{names} and {n} more", { names, n: number(more) }) : names;
}

function trial(row) {
  const view = tried();
  const own = card(row, view.element);
  return {
    element: own.element,
    show(now) {
      own.show(now, Boolean(now.trouble), trialWords(now));
      view.show(now.trial);
    },
  };
}

function trialWords({ trial: known, trouble }) {
  if (!known) return t("Another instance tries it: its page has the figures.");
  if (trouble) return trouble;
  return t("Heard since {clock}.", { clock: moment(known.since) });
}

async function refresh() {
  try {
    const rows = await get("/gateways");
    const trials = rows.filter(isTrial);
    const counting = rows.filter((each) => !isTrial(each));
    showVerdict(counting);
    put(byId("sources"), counting, source);
    byId("trials-part").hidden = trials.length === 0;
    put(byId("trials"), trials, trial);
    document.body.dataset.shown = "gateways";
  } catch (failure) {
    if (!(failure instanceof Failure)) throw failure;
    say(byId("verdict"), failure.message);
  }
}

refresh();
setInterval(() => document.hidden || refresh(), EVERY_MS);

// The plan of one line: the next stop large, what to do until then while it runs, later stops, and what it is worth.

import { icon, make } from "./dom.js";
import { many, number, t } from "./language.js";
import { redraw } from "./redrawn.js";
import { box, place } from "./supplies.js";
import { clock, panels, sentence } from "./words.js";

const FIRST = 6;
const MOST = 30;
const exchangePage = (line, { station, slot }) => `/exchange?${new URLSearchParams({ line, station, slot })}`;

/** `unknown`: slots of the line of which nobody knows enough to plan them. */
export function planView(line, also) {
  const body = make("div", { class: "plan" });
  const element = make("section", { class: "line-plan" },
    make("div", { class: "heading" }, make("h3", {}, t("Line {line}", { line })), ...also), body);

  function show(plan, unknown) {
    redraw(body, [plan, unknown], () => [
      troubles(plan),
      nextStop(line, plan),
      jobs(line, plan),
      laterStops(plan),
      worth(plan),
      unplanned(unknown),
    ]);
  }
  return { element, show };
}

/** How far a stop is: a number with its unit, or words. */
function howFar(boundary) {
  if (boundary === 0) return [make("b", {}, t("Now")), make("span", {}, t("before the next panel begins"))];
  const unit = many(boundary, "panel from now: the end of the one in work", "panels from now");
  return [make("b", {}, number(boundary)), make("span", {}, unit)];
}

function nextStop(line, plan) {
  const [stop] = plan.stops;
  if (!stop) return make("p", { class: "calm" }, noneWords(plan));
  const rest = restWords(stop);
  return make("article", { class: "stop" },
    make("h4", {}, icon("stop"), t("Next stop")),
    make("p", { class: "far" }, ...howFar(stop.panels),
      make("span", { class: "when" }, stop.at ? t("about {clock}", { clock: clock(stop.at, plan.as_of) }) : t("when isn't known: no takt yet"))),
    rest && make("p", { class: "rest" }, rest),
    make("p", {}, many(stop.exchanges.length, "{n} slot is exchanged in this stop:", "{n} slots are exchanged in this one stop:")),
    make("ul", { class: "exchanges" }, ...stop.exchanges.map((each) => exchange(line, each, stop, plan))),
    readyLine(line, stop.exchanges));
}

function noneWords(plan) {
  const far = { panels: panels(plan.panels) };
  return plan.meanwhile.length
    ? t("No stop is needed in the next {panels}, by what is known.", far)
    : t("No stop is needed and nothing to join in the next {panels}, by what is known.", far);
}

function restWords(stop) {
  if (stop.at_break) return t("In the break: the line stands then anyway.");
  if (stop.at_changeover) return t("At the change to the next order: the line stands then anyway.");
  return "";
}

/** One slot of the stop: what goes in, whether it is there, what is thrown away, from when on it may be done. */
function exchange(line, each, stop, plan) {
  const facts = [windowWords(each, stop, plan), wasteWords(each)].filter(Boolean);
  const key = place(each);
  return make("li", {},
    make("a", { class: "go", href: exchangePage(line, each), "data-key": `exchange ${key}` },
      make("span", { class: "name" }, make("b", {}, each.slot), " ", make("span", {}, each.station)), " ",
      make("span", { class: "supply" }, each.part ?? t("part not known")), " ",
      make("span", { class: "how" }, t("Exchange it, step by step"))),
    thereWords(each), ...facts.map((words) => make("p", { class: "fact" }, words)));
}

function thereWords({ ready }) {
  if (ready === undefined) return null;
  return make("p", { class: "ready", "data-ready": ready }, box(ready), ready ? t("A fresh one stands ready.") : t("Not ticked as ready."));
}

function windowWords({ from_panels: from, by_panels: by, by: time }, stop, { as_of: now }) {
  const last = time ? t("{panels}, {clock}", { panels: panels(by), clock: clock(time, now) }) : panels(by);
  if (by === 0) return t("At once: it may be empty with the panel in work.");
  if (from >= by) return by === stop.panels ? t("Only then: neither before nor after.") : t("In {last}.", { last });
  return from === 0 ? t("At the latest in {last}.", { last }) : t("Not before {from}, at the latest in {last}.", { from: panels(from), last });
}

function wasteWords({ left_over: parts }) {
  if (parts === undefined) return "";
  if (parts === null) return t("How much is thrown away with it isn't known.");
  const whole = Math.round(parts);
  return whole === 0 ? t("Hardly a part is thrown away.") : many(whole, "About {n} part is thrown away with it.", "About {n} parts are thrown away with it.");
}

function readyLine(line, exchanges) {
  const link = make("a", { class: "button", href: `/fetch?line=${encodeURIComponent(line)}`, "data-key": "fetch" }, t("What to fetch"));
  if (exchanges.some((each) => each.ready === undefined)) return make("p", { class: "stand" }, link);
  const ready = exchanges.filter((each) => each.ready).length;
  const words = t("Ready: {ready} of {supplies}.", { ready: number(ready), supplies: number(exchanges.length) });
  return make("p", { class: "stand" }, make("span", {}, words), " ", link);
}

function jobs(line, plan) {
  if (plan.meanwhile.length === 0) return null;
  const people = plan.people ?? 1;
  return make("div", { class: "jobs" },
    make("h4", {}, t("Meanwhile, while it runs")),
    make("p", { class: "note" }, many(people, "In this order, for one pair of hands:", "In this order, for {n} people:")),
    ...firstOnes("ol", plan.meanwhile.slice(0, MOST).map((each) => job(line, each, plan)), (n) => many(n, "{n} more, later", "{n} more, later")));
}

/** The first few of a list, the others folded below it. */
function firstOnes(tag, items, more) {
  const rest = items.slice(FIRST, MOST);
  return [make(tag, {}, ...items.slice(0, FIRST)),
    rest.length > 0 && make("details", {}, make("summary", { "data-key": `more ${tag}` }, more(rest.length)),
      make(tag, { start: tag === "ol" ? FIRST + 1 : null }, ...rest))];
}

function job(line, each, plan) {
  const { as_of: now } = plan;
  const last = each.by ? t("at the latest at {clock}", { clock: clock(each.by, now) }) : t("at the latest in {panels}", { panels: panels(each.by_panels) });
  const times = [
    each.begin && each.end && t("from {begin} to {end}", { begin: clock(each.begin, now), end: clock(each.end, now) }),
    (!each.end || each.end <= each.by) && last, // hands that come later use what is kept in hand
  ].filter(Boolean).join(", ");
  return make("li", {},
    make("a", { class: "go", href: exchangePage(line, each), "data-key": `job ${place(each)}` },
      make("span", { class: "name" }, make("b", {}, each.slot), " ", make("span", {}, each.station)), " ",
      make("span", { class: "supply" }, each.part ?? t("part not known")), " ",
      make("span", { class: "how" }, times)),
    each.late === true && make("p", { class: "late" }, icon("urgent"), t("Too late with these hands: it may be empty before.")),
    thereWords(each));
}

function laterStops({ stops, as_of: now }) {
  if (stops.length < 2) return null;
  return make("div", { class: "later" }, make("h4", {}, t("Later stops")),
    ...firstOnes("ul", stops.slice(1).map((stop) => laterStop(stop, now)), (n) => many(n, "{n} more stop", "{n} more stops")));
}

function laterStop(stop, now) {
  const far = stop.at ? t("{panels}, {clock}", { panels: panels(stop.panels), clock: clock(stop.at, now) }) : panels(stop.panels);
  const slots = stop.exchanges.map(place).join(", ");
  return make("li", {}, icon("stop"), make("b", {}, t("in {far}", { far })), " ", [slots, restWords(stop)].filter(Boolean).join(" · "));
}

/** What can't be done, and what would help. */
function troubles({ feasible, helps = [], helps_said: said }) {
  if (feasible !== false && helps.length === 0) return null;
  const sentences = said ? said.map(sentence) : helps;
  return make("div", { class: "alarm troubles" },
    feasible === false && make("p", {}, icon("urgent"), make("b", {}, t("Not all of it can be done in time."))),
    sentences.length > 0 && make("ul", {}, ...sentences.map((words) => make("li", {}, words))));
}

function worth({ without, stops, panels: far, kept_since: since, stop_minutes: minutes, as_of: now }) {
  const words = [];
  const alone = Math.round(without?.stops ?? 0);
  if (alone > 0) {
    words.push(many(alone, "Left alone, the line would stand empty about once in the next {panels}: some {minutes} minutes.",
      "Left alone, the line would stand empty about {n} times in the next {panels}: some {minutes} minutes.",
      { minutes: number(Math.round(without.minutes)), panels: panels(far) }));
  }
  if (without?.single_stops > stops.length) {
    words.push(t("If each slot had a stop of its own: {stops} stops, {minutes} minutes. Planned: {planned}.", {
      stops: number(without.single_stops), minutes: number(Math.round(without.single_minutes)), planned: plannedWords(stops.length, minutes),
    }));
  }
  if (since && stops.length) words.push(t("The line has gone by these stops since {clock}.", { clock: clock(since, now) }));
  if (words.length === 0) return null;
  return make("div", { class: "worth" }, make("h4", {}, t("Without the plan")), ...words.map((each) => make("p", {}, each)));
}

function plannedWords(stops, minutes) {
  const counted = many(stops, "{n} stop", "{n} stops");
  return minutes === undefined ? counted : t("{stops}, {minutes} minutes", { stops: counted, minutes: number(Math.round(minutes)) });
}

function unplanned(unknown) {
  if (unknown.length === 0) return null;
  return make("p", { class: "note" }, t("Not in the plan, because what is left or used there isn't known: {slots}.", { slots: unknown.join(", ") }));
}

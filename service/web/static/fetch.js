// The page of what to fetch: live, one line or several, for the rest of the shift or some hours. It prints as a sheet.

import { get, path } from "./api.js";
import { beside } from "./beside.js";
import { arrange, make, say } from "./dom.js";
import { lineList } from "./fetched.js";
import { number, t } from "./language.js";
import { follow } from "./live.js";
import { chosen, lineChoice, only } from "./mine.js";
import { condition, onceAFrame } from "./shell.js";
import * as state from "./state.js";
import { clock } from "./words.js";

const HOURS = ["", "1", "2", "4", "8", "24"];
const asked = new URLSearchParams(location.search);
const hours = HOURS.includes(asked.get("hours") ?? "") ? asked.get("hours") ?? "" : "";
const byId = (id) => document.getElementById(id);
const lists = new Map();
const query = hours ? `?hours=${hours}` : "";
const found = beside((line) => get(`${path("lines", line, "fetch")}${query}`), () => shown());
const choice = lineChoice();

const shown = onceAFrame(() => {
  choice.show([...state.lines.keys()]);
  const lines = chosen([...state.lines.keys()]);
  say(byId("calm"), lines.length ? "" : nothingWords());
  const ready = lines.filter((line) => found.known.has(line));
  arrange(byId("lines"), ready.map(listOf));
  if (ready.length) say(byId("as-of"), asOf(found.known.get(ready[0])));
});

function nothingWords() {
  if (only) return t("Nothing was heard of line {line} yet.", { line: only });
  return state.lines.size ? t("No line is chosen as yours on this device.") : t("No line was heard of yet. It appears here with its first count.");
}

function listOf(line) {
  if (!lists.has(line)) lists.set(line, lineList(line, found.now, links(line)));
  lists.get(line).show(found.known.get(line));
  return lists.get(line).element;
}

const links = (line) => [
  make("a", { class: "button", href: `/plan?line=${encodeURIComponent(line)}` }, t("The plan")),
  make("a", { class: "button", href: `/api/v1${path("lines", line, "fetch")}?format=csv${hours && `&hours=${hours}`}`, download: `fetch-${line}.csv` }, t("As a table (CSV)")),
];

function asOf({ at, until, shift_ends: ends }) {
  const span = { clock: clock(at), until: clock(until, at) };
  return until === ends ? t("As of {clock}, to the end of the shift at {until}.", span) : t("As of {clock}, until {until}.", span);
}

function hoursChoice() {
  const words = (value) => (value ? t("{n} hours", { n: number(Number(value)) }) : t("This shift"));
  const select = make("select", { change: () => {
    const next = new URLSearchParams(location.search);
    if (select.value) next.set("hours", select.value);
    else next.delete("hours");
    location.assign(`${location.pathname}${next.size ? `?${next}` : ""}`);
  } }, ...HOURS.map((value) => make("option", { value, selected: value === hours }, words(value))));
  return make("label", {}, make("span", {}, t("How far ahead")), select);
}

byId("choose").append(choice.element, hoursChoice(),
  make("button", { type: "button", click: () => window.print() }, t("Print")));

const asking = () => found.news(chosen([...state.lines.keys()]));

follow({
  line: only,
  shown: () => { asking(); shown(); },
  told: () => null,
  condition,
  events: { plan: asking },
});

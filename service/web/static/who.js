// Who would hear of something, now or at a moment: at once, later while nobody takes it, and over a week.

import { get } from "./api.js";
import { make, say } from "./dom.js";
import { many, t } from "./language.js";
import { clock, day } from "./words.js";
import "./shell.js";

const byId = (id) => document.getElementById(id);
const form = byId("question");

async function ask(event) {
  event?.preventDefault();
  const asked = new URLSearchParams(new FormData(form));
  const at = asked.get("at");
  if (at) asked.set("at", new Date(at).toISOString());
  else asked.delete("at");
  try {
    const [answer, week] = await Promise.all([get(`/who?${asked}`), get(`/who/week?${asked}`)]);
    showAnswer(answer);
    showWeek(week);
  } catch (failure) {
    say(byId("answer"), failure.message);
    byId("week").hidden = true;
  }
}

function showAnswer({ rounds, off, routes, remind_minutes: minutes, remind_panels: panels }) {
  const heard = rounds.some((each) => each.outlets.length);
  const again = spanWords(minutes, panels);
  byId("answer").replaceChildren(...[
    !heard && make("p", { class: "alarm" }, t("Nobody hears of this.")),
    make("ol", { class: "rounds" }, ...rounds.map(roundRow)),
    again && make("p", {}, t("Said again every {span}, while nobody has taken it.", { span: again })),
    off.length > 0 && make("p", {}, t("Not now, off duty or in quiet hours: {names}.", { names: off.join(", ") })),
    routes.length > 0 && make("p", { class: "note" }, t("By route {numbers} of the configuration.", { numbers: routes.join(", ") })),
  ].filter(Boolean));
}

function roundRow({ after_minutes: minutes, after_panels: panels, people, outlets }) {
  const theirs = new Set(people.map((each) => each.outlet));
  const names = people.map(({ person, outlet }) => (outlet ? `${person} (${outlet})` : t("{person}, reached by nothing", { person })));
  const whom = [...names, ...outlets.filter((name) => !theirs.has(name))].join(", ") || t("nobody");
  const after = spanWords(minutes, panels);
  return make("li", {}, make("b", {}, after ? t("After {span}", { span: after }) : t("At once")), " ", whom);
}

function spanWords(minutes, panels) {
  return [
    minutes !== null && many(minutes, "{n} minute", "{n} minutes"),
    panels !== null && many(panels, "{n} panel", "{n} panels"),
  ].filter(Boolean).join(` ${t("or")} `);
}

function showWeek(spans) {
  byId("week").hidden = spans.length === 0;
  byId("spans").replaceChildren(...spans.map(({ since, until, people, outlets }) => {
    const whom = (people.length ? people : outlets).join(", ");
    return make("li", { class: whom ? null : "gap" },
      make("span", {}, t("{begin} to {end}", { begin: `${day(since)} ${clock(since)}`, end: `${day(until)} ${clock(until)}` })),
      make("b", {}, whom || t("nobody")));
  }));
}

get("/lines").then((lines) => {
  byId("known-lines").replaceChildren(...lines.map(({ line }) => make("option", { value: line })));
  if (!form.elements.line.value && lines.length) form.elements.line.value = lines[0].line;
}).catch(() => {});
form.addEventListener("submit", ask);

// Listening to a broker, what was found there, and a draft of settings tried out against it.

import { pressable, teller } from "./act.js";
import { Failure, get, post } from "./api.js";
import { make, say } from "./dom.js";
import { many, number, t } from "./language.js";
import "./shell.js";
import { tried } from "./tried.js";
import { FORMATS } from "./words.js";

const EVERY_MS = 2000;
const MOST = 300;
const DIALECTS = { ...FORMATS, ours: t("what Earlybell says") };
const byId = (id) => document.getElementById(id);
let shownAt = null;

function showBrokers(brokers) {
  byId("at").replaceChildren(...brokers.map(({ at, leads_to: host }) => make("option", { value: at }, `${at} (${host})`)));
}

function showListening(heard) {
  const listening = heard.state === "listening";
  byId("stop").hidden = !listening;
  byId("choose").querySelector("[type=submit]").hidden = listening;
  if (listening) say(byId("said"), many(heard.messages, "Listening: {n} message so far.", "Listening: {n} messages so far."));
  if (heard.state === "failed") say(byId("said"), t("The broker can't be listened to: {reason}.", { reason: heard.trouble }));
  byId("said").classList.toggle("bad", heard.state === "failed");
  if (heard.state === "done" && heard.since !== shownAt) {
    shownAt = heard.since;
    showFound(heard);
  }
}

function showFound({ found, draft, messages }) {
  say(byId("said"), messages ? many(messages, "{n} message was heard.", "{n} messages were heard.") : t("Nothing was said that we may hear."));
  byId("found").hidden = !messages;
  byId("dialects").replaceChildren(...Object.entries(found.dialects).map(([name, places]) =>
    make("li", {}, `${DIALECTS[name] ?? name}: ${Object.keys(places).slice(0, 12).join(", ")}`)));
  byId("tree").replaceChildren(...found.topics.slice(0, MOST).map(branch));
  byId("meanings").hidden = !found.values.length;
  byId("values").replaceChildren(...found.values.slice(0, MOST).map(value));
  byId("cut").hidden = !Object.keys(found.cut).length;
  say(byId("cut"), t("Left out, because there was too much: {what}.", { what: Object.keys(found.cut).join(", ") }));
  if (draft || !byId("draft").value) byId("draft").value = draft ?? "";
}

function branch({ depth, text, topics, per_minute: rate, bytes, shapes }) {
  const item = make("li", {}, make("span", {}, text),
    topics === undefined ? null : make("small", {}, t("{n} a minute, {bytes} bytes, {shapes}", {
      n: number(rate), bytes: number(bytes), shapes: shapes.join(", ") })));
  item.style.setProperty("--depth", depth);
  return item;
}

const value = ({ where, means, seen, values }) => make("li", {},
  make("span", {}, where, means === null ? null : make("strong", {}, ` = ${means}`)),
  make("small", {}, [values > 1 ? many(values, "{n} value", "{n} values") : null, seen].filter(Boolean).join(", ")));

function showTried({ state, trials }) {
  byId("end").hidden = state !== "trying";
  byId("try").hidden = state === "trying";
  byId("trials").replaceChildren(...trials.map(trial));
}

function trial(figures) {
  const view = tried();
  view.show(figures);
  return make("article", { class: "way" }, make("h3", {}, figures.source),
    figures.connected ? null : make("p", { class: "state" }, figures.trouble), view.element);
}

async function refresh() {
  try {
    const [heard, tried] = await Promise.all([get("/overheard"), get("/tryout")]);
    showListening(heard);
    showTried(tried);
    document.body.dataset.shown = "listen";
  } catch (failure) {
    if (!(failure instanceof Failure)) throw failure;
    say(byId("said"), failure.message);
  }
}

/** A button whose answer shows what there is now. */
function acting(button, told, act) {
  pressable(button, async () => { await act(); await refresh(); return ""; }, teller(told, say));
}

byId("choose").addEventListener("submit", async (event) => {
  event.preventDefault();
  const topics = byId("topics").value.split(/[\s,]+/).filter(Boolean);
  try {
    await post("/overheard", { at: byId("at").value, topics, seconds: Number(byId("seconds").value), births: byId("births").checked });
  } catch (failure) {
    say(byId("said"), failure.message);
  }
  await refresh();
});
acting(byId("stop"), byId("said"), () => post("/overheard/stop", {}));
acting(byId("try"), byId("tried-said"), () => post("/tryout", { draft: byId("draft").value }));
acting(byId("end"), byId("tried-said"), () => post("/tryout/stop", {}));

get("/brokers").then(showBrokers, (failure) => say(byId("said"), failure.message));
refresh();
setInterval(() => document.hidden || refresh(), EVERY_MS);

// How each way out fares, a test through one, a look at what it would say, and what was given up.

import { pressable, teller } from "./act.js";
import { Failure, get, path, post } from "./api.js";
import { who } from "./ask.js";
import { arrange, icon, make, say } from "./dom.js";
import { many, number, t } from "./language.js";
import { clock, day } from "./words.js";
import "./shell.js";

const EVERY_MS = 15000;
const TEST_MS = 25000;
const DEAD_SHOWN = 50;
const TYPES = {
  webhook: t("Webhook, for programs"), chat: t("Chat"), email: t("Mail"), push: t("Phones"), other: t("Another service"),
};
const SAMPLES = {
  early: t("A supply runs low"), empty: t("A slot is empty"), closed: t("It was refilled"),
  "several at once": t("Several at once"),
};
const BAD = new Set(["failing", "paused", "gone"]);
const byId = (id) => document.getElementById(id);
const shown = new Map();
const WEEK_MS = 6 * 86400000;
/** With its weekday, or its date when that was longer ago. */
const moment = (at) => (Date.now() - new Date(at) < WEEK_MS ? clock(at, Date.now()) : `${day(at)} ${clock(at)}`);

function showVerdict(rows) {
  const bad = rows.filter((each) => BAD.has(each.state));
  const names = bad.map((each) => each.name).join(", ");
  if (rows.length === 0) say(byId("verdict"), t("No outlet is configured: nobody is told anything."));
  else if (bad.length) say(byId("verdict"), t("No: nothing gets out by {names}.", { names }));
  else if (rows.every((each) => each.state === "new")) say(byId("verdict"), t("Nothing was sent yet. Send a test to be sure."));
  else say(byId("verdict"), t("Yes, as far as is known."));
}

/** What is wrong first, else as configured. */
function inOrder(rows) {
  const weight = (each) => (BAD.has(each.state) ? 0 : each.dead || !each.routed ? 1 : 2);
  return rows.map((each, index) => [weight(each), index, each]).sort(([a, i], [b, j]) => a - b || i - j).map(([, , each]) => each);
}

function showWays(rows) {
  arrange(byId("ways"), inOrder(rows).map((each) => {
    if (!shown.has(each.name)) shown.set(each.name, way(each));
    shown.get(each.name).show(each);
    return shown.get(each.name).element;
  }));
}

function way({ name, type }) {
  const sign = make("span", { class: "sign" });
  const words = make("span");
  const facts = make("dl", { class: "facts" });
  const more = make("p", { class: "more", hidden: true }, make("a", {}, t("The notice about it")));
  const said = make("p", { class: "said", role: "status" });
  const test = make("button", { type: "button", class: "test" }, t("Send a test"));
  pressable(test, () => sendTest(name, said), teller(said, say));
  const element = make("article", { class: "way" },
    make("h3", {}, name, " ", make("small", {}, TYPES[type] ?? type)),
    make("p", { class: "state" }, sign, words), facts, more,
    make("div", { class: "buttons" }, test), said, preview(name));
  return {
    element,
    show(row) {
      element.dataset.state = row.state;
      say(words, stateWords(row));
      sign.replaceChildren(...(BAD.has(row.state) ? [icon("urgent")] : []));
      facts.replaceChildren(...factsOf(row).flatMap(([what, value]) => [make("dt", {}, what), make("dd", {}, value)]));
      more.hidden = row.notice === null;
      if (row.notice !== null) more.firstElementChild.href = `/notice/${encodeURIComponent(row.notice)}`;
    },
  };
}

function stateWords({ state, failing_since: since, paused_until: until }) {
  if (state === "gone") return t("It takes no messages any more: nothing is sent there.");
  if (state === "paused") return t("It asked for time until {clock}.", { clock: moment(until) });
  if (state === "failing") return t("Nothing gets through since {clock}; it is tried again.", { clock: moment(since) });
  return state === "new" ? t("Nothing was sent there yet.") : t("It delivers.");
}

function factsOf(row) {
  const facts = row.leads_to === null ? [] : [[t("Leads to"), whereWords(row)]];
  facts.push([t("Last success"), row.last_success ? moment(row.last_success) : t("none known")]);
  if (row.last_failure) {
    facts.push([t("Last failure"), row.last_error ? `${moment(row.last_failure)}, ${row.last_error}` : moment(row.last_failure)]);
  }
  if (row.phones !== null) facts.push([t("Phones"), number(row.phones)]);
  if (row.waiting) facts.push([t("Waiting"), many(row.waiting, "{n} message", "{n} messages")]);
  if (row.dead) facts.push([t("Given up"), many(row.dead, "{n} message", "{n} messages")]);
  if (!row.routed) facts.push([t("Routes"), t("none leads there: it hears nothing")]);
  return facts;
}

function whereWords({ leads_to: host, recipients }) {
  return recipients === null ? host : many(recipients, "{n} address by {host}", "{n} addresses by {host}", { host });
}

async function sendTest(name, said) {
  const by = await who();
  if (!by) return null;
  said.classList.remove("bad");
  say(said, t("Sending…"));
  const { delivered, reason, seconds } = await post(path("outlets", name, "test"), { by }, TEST_MS);
  if (!delivered) throw new Failure(t("The test didn't get there: {reason}.", { reason }));
  refresh();
  return t("The test was delivered in {n} s.", { n: number(Math.max(0.1, seconds)) });
}

/** Fetched when it is opened. */
function preview(name) {
  const samples = make("div", { class: "samples" });
  const details = make("details", {}, make("summary", {}, t("What it says")), samples);
  details.addEventListener("toggle", async () => {
    if (!details.open || samples.childElementCount) return;
    try {
      const rows = await get(path("outlets", name, "preview"));
      samples.replaceChildren(...(rows.length ? rows.map(sample) : [make("p", { class: "note" }, t("That can't be shown."))]));
    } catch (failure) {
      samples.replaceChildren(make("p", { class: "note" }, failure.message));
    }
  });
  return details;
}

const sample = (each) => make("section", {},
  make("h4", {}, SAMPLES[each.sample] ?? each.sample),
  make("pre", { tabindex: "0" }, [...each.headers.map(([what, value]) => `${what}: ${value}`), "", each.text].join("\n")));

function showAlive(alive) {
  const none = alive.leads_to === null && alive.at === null;
  say(byId("monitor"), none ? t("By nobody: no heartbeat is configured.") : monitorWords(alive));
  byId("daily").hidden = alive.at === null;
  if (alive.at !== null) {
    say(byId("daily"), t("Every day at {clock} a short message goes out by {names}. Whoever misses it knows.", {
      clock: alive.at, names: alive.outlets.join(", ") }));
  }
}

function monitorWords(alive) {
  if (alive.leads_to === null) return t("By people: no monitor is configured that would raise an alarm.");
  const failed = alive.last_failure !== null && (alive.last_beat === null || alive.last_failure > alive.last_beat);
  const values = { host: alive.leads_to, n: number(alive.every_minutes) };
  if (failed) return t("{host} should hear every {n} min that it lives, but doesn't: {reason}.", { ...values, reason: alive.last_error });
  const told = t("{host} hears every {n} min that it lives, and raises an alarm when it doesn't.", values);
  return alive.last_beat === null ? told : `${told} ${t("Last: {clock}.", { clock: moment(alive.last_beat) })}`;
}

function showDead(rows) {
  byId("none-dead").hidden = rows.length > 0;
  const kept = new Map([...byId("dead").children].map((item) => [item.dataset.id, item]));
  arrange(byId("dead"), rows.map((row) => kept.get(String(row.id)) ?? givenUp(row)));
}

function givenUp(row) {
  const said = make("p", { class: "said", role: "status" });
  const button = make("button", { type: "button", class: "again" }, t("Send again"));
  pressable(button, () => again(row), teller(said, say));
  const words = t("{outlet}, written {clock}", { outlet: row.outlet, clock: moment(row.created_at) });
  const isNotice = !row.notice.startsWith("awake-"); // the daily message has no page
  return make("li", { "data-id": row.id },
    make("p", {}, isNotice ? make("a", { href: `/notice/${encodeURIComponent(row.notice)}` }, words) : words,
      " ", make("small", {}, row.error ?? t("reason not known"))),
    button, said);
}

async function again(row) {
  const by = await who();
  if (!by) return null;
  await post(path("deliveries", row.id, "again"), { by });
  setTimeout(refresh, 1000);
  return t("It is being sent.");
}

async function refresh() {
  try {
    const [rows, dead, alive] = await Promise.all([
      get("/outlets"), get(`/deliveries?state=dead&limit=${DEAD_SHOWN}`), get("/heartbeat"),
    ]);
    showVerdict(rows);
    showWays(rows);
    showDead(dead);
    showAlive(alive);
    document.body.dataset.shown = "outlets";
  } catch (failure) {
    if (!(failure instanceof Failure)) throw failure;
    say(byId("verdict"), failure.message);
  }
}

refresh();
setInterval(() => document.hidden || refresh(), EVERY_MS);

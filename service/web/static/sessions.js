// Who is signed in, for administrators: seen, and ended; beside it which accounts and tokens there are.

import { pressable, teller } from "./act.js";
import { Failure, get, path, post } from "./api.js";
import { arrange, make, say } from "./dom.js";
import { many, t } from "./language.js";
import { clock, day } from "./words.js";
import "./shell.js";

const EVERY_MS = 15000;
const ROLES = { read: t("may look"), act: t("may act"), admin: t("administrator") };
const byId = (id) => document.getElementById(id);
const moment = (at) => `${day(at)} ${clock(at)}`;
const row = (id, name, facts, ...more) => make("li", { "data-id": id },
  make("p", {}, make("b", {}, name), " ", make("small", {}, facts.filter(Boolean).join(", "))), ...more);

function showSessions(rows) {
  say(byId("verdict"), rows.length ? many(rows.length, "{n} sign-in holds.", "{n} sign-ins hold.") : t("Nobody."));
  const kept = new Map([...byId("sessions").children].map((item) => [item.dataset.id, item]));
  arrange(byId("sessions"), rows.map((each) => {
    const item = kept.get(each.id) ?? session(each);
    say(item.querySelector("small"), factsOf(each));
    return item;
  }));
}

function session(each) {
  const said = make("p", { class: "said", role: "status" });
  const button = make("button", { type: "button", class: "again" }, t("Sign out"));
  button.setAttribute("aria-label", t("Sign {name} out", { name: each.account }));
  pressable(button, () => end(each.id), teller(said, say));
  return row(each.id, each.account, [], button, said);
}

function factsOf({ role, since, last_seen: seen, address, this: own }) {
  return [
    own && t("this one"), ROLES[role] ?? role, t("since {clock}", { clock: moment(since) }),
    address && t("from {address}", { address }), t("last seen {clock}", { clock: moment(seen) }),
  ].filter(Boolean).join(", ");
}

async function end(id) {
  await post(path("sessions", id, "end"), {});
  await refresh();
  return null;
}

function showKnown({ accounts, tokens }) {
  const ended = ({ ended: at }) => at && t("ended {clock}", { clock: moment(at) });
  arrange(byId("accounts"), accounts.map((each) => row(each.name, each.name, [ROLES[each.role] ?? each.role, ended(each)])));
  arrange(byId("tokens"), tokens.map((each) => row(each.name, each.name, [
    ROLES[each.role] ?? each.role, each.for_others && t("for others"),
    each.last_used ? t("last used {clock}", { clock: moment(each.last_used) }) : t("never used"),
    each.expires && t("expires {clock}", { clock: moment(each.expires) }), ended(each),
  ])));
}

async function refresh() {
  try {
    const [rows, known] = await Promise.all([get("/sessions"), get("/access")]);
    showSessions(rows);
    showKnown(known);
    document.body.dataset.shown = "sessions";
  } catch (failure) {
    if (!(failure instanceof Failure)) throw failure;
    say(byId("verdict"), failure.message);
  }
}

refresh();
setInterval(() => document.hidden || refresh(), EVERY_MS);

// Shown by the worker when the service can't be reached: what was open when it was last heard, and how long ago.

import { make, say } from "./dom.js";
import { many, t } from "./language.js";
import "./switch.js";
import { age, clock, LEVEL } from "./words.js";

const SEEN = "earlybell-seen";
const LAST = "/api/v1/notices?limit=1000";
const KNOCK_MS = 5000;
const byId = (id) => document.getElementById(id);

async function lastHeard() {
  try {
    const found = await caches.match(LAST, { cacheName: SEEN });
    return found && { at: Date.parse(found.headers.get("x-heard-at")), notices: await found.json() };
  } catch {
    return null; // storage is switched off
  }
}

function showAge(at) {
  const seconds = Math.max(0, (Date.now() - at) / 1000);
  say(byId("age"), t("What stands here was true at {time}, {age} ago. By now it may be wrong: look at the machine.",
    { time: clock(new Date(at), new Date()), age: age(seconds) }));
}

function showOld(notices) {
  say(byId("none"), notices.length ? many(notices.length, "{n} notice was open then:", "{n} notices were open then:")
    : t("Nothing needed anyone then."));
  byId("none").hidden = false;
  byId("old").replaceChildren(...notices.map((notice) => make("li", {},
    make("p", {}, make("b", {}, LEVEL[notice.level] ?? notice.level), " · ", notice.message),
    notice.taken_by && make("p", { class: "note" }, t("{name} was on it", { name: notice.taken_by })))));
}

async function knock() {
  try {
    const answer = await fetch("/healthz", { cache: "no-store", signal: AbortSignal.timeout(KNOCK_MS) });
    if (answer.ok) location.reload();
  } catch {
    return; // still not there
  }
}

byId("again").addEventListener("click", () => location.reload());
window.addEventListener("online", knock);
setInterval(knock, KNOCK_MS);

const last = await lastHeard();
if (last) {
  showOld(last.notices);
  showAge(last.at);
  setInterval(() => showAge(last.at), 1000);
}

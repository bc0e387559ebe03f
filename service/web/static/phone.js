// Sets this phone up to hear the bell with no page open: says honestly whether it can, and lets it be tried and ended.

import { pressable } from "./act.js";
import { get, path, post } from "./api.js";
import { who } from "./ask.js";
import { arrange, make, say } from "./dom.js";
import { many, t } from "./language.js";
import "./switch.js";
import { day } from "./words.js";

const PHONE = "earlybell-phone";
const byId = (id) => document.getElementById(id);
const me = document.body.dataset.by;
let known = { key: null, outlets: [], phones: [] };
let device = null;

/** Why this phone can't hear the bell, in words a person can act on; null when it can. */
function whyNot() {
  if (!window.isSecureContext) {
    return t("This page came without HTTPS, and browsers let a phone hear the bell over HTTPS only. Whoever runs this service can set it up; until then chat and mail do the job.");
  }
  if (!("serviceWorker" in navigator && "PushManager" in window && "Notification" in window)) {
    return t("This browser can't hear the bell with the page closed. On an iPhone or iPad add the page to the home screen and open it from there. Else chat and mail do the job.");
  }
  if (known.outlets.length === 0) {
    return t("No outlet for phones is set up yet. Whoever runs this service can add one; until then chat and mail do the job.");
  }
  if (document.body.dataset.role === "read") return t("You may look. Whoever may act may hear the bell on a phone.");
  if (Notification.permission === "denied") {
    return t("This browser was told to show no notifications of this page. Allow them in its settings for this site, then come back.");
  }
  return null;
}

async function subscription() {
  if (!window.isSecureContext || !("serviceWorker" in navigator && "PushManager" in window)) return null;
  const registration = await navigator.serviceWorker.getRegistration("/");
  return (await registration?.pushManager.getSubscription()) ?? null;
}

/** What the service calls this device: it never gives the endpoint out again. */
async function nameOf(endpoint) {
  const digest = await crypto.subtle.digest("SHA-256", new TextEncoder().encode(endpoint));
  return Array.from(new Uint8Array(digest).slice(0, 16), (byte) => byte.toString(16).padStart(2, "0")).join("");
}

async function look() {
  const subscribed = await subscription();
  device = subscribed && (await nameOf(subscribed.endpoint));
  known = await get(`/phones${device ? `?device=${device}` : ""}`);
  draw();
}

function draw() {
  const reason = whyNot();
  const here = known.phones.filter((phone) => phone.device === device);
  say(byId("can"), reason ?? (here.length ? t("This phone hears the bell.") : t("This phone can hear the bell with this page closed.")));
  byId("can").classList.toggle("alarm", reason !== null);
  arrange(byId("heard"), reason && here.length === 0 ? [] : known.outlets.map((each) => outletRow(each, here, reason)));
  const elsewhere = known.phones.filter((phone) => phone.device !== device);
  byId("others").hidden = elsewhere.length === 0;
  arrange(byId("elsewhere"), elsewhere.map(otherRow));
}

function outletRow({ outlet, phones }, here, reason) {
  const row = here.find((phone) => phone.outlet === outlet);
  const mine = row && (me === undefined || row.person === me);
  const words = !row ? many(phones, "{n} phone hears it", "{n} phones hear it")
    : t("{name} hears it here since {day}", { name: row.person, day: day(row.since) });
  const buttons = mine
    ? [button(t("Send a test"), () => sendTest(outlet), true), button(t("Stop"), () => stop(device, outlet))]
    : [!reason && button(row ? t("Make it mine") : t("Hear it on this phone"), () => hear(outlet), true)];
  return make("li", {}, make("p", {}, make("b", {}, outlet), " ", make("span", { class: "note" }, words)),
    make("div", { class: "buttons" }, ...buttons));
}

function otherRow({ device: name, outlet, since }) {
  return make("li", {}, make("p", {}, make("b", {}, outlet), " ",
    make("span", { class: "note" }, t("since {day}", { day: day(since) }))),
  make("div", { class: "buttons" }, button(t("Stop it there"), () => stop(name, outlet))));
}

function button(text, act, first = false) {
  const element = make("button", { type: "button", class: first && "first" }, text);
  pressable(element, act, (words, bad) => {
    if (words === null) return;
    say(byId("said"), words);
    byId("said").classList.toggle("bad", bad);
  });
  return element;
}

async function hear(outlet) {
  const by = await who();
  if (!by) return null;
  if ((await Notification.requestPermission()) !== "granted") {
    draw();
    throw new Error(t("Without your leave to show notifications it can't."));
  }
  const { endpoint, keys } = (await subscribed()).toJSON();
  await post("/phones", { by, outlet, endpoint, ...keys, language: document.documentElement.lang });
  await look();
  await remember(by);
  return t("This phone hears {outlet} from now on. Send a test to see it.", { outlet });
}

async function subscribed() {
  await navigator.serviceWorker.register("/sw.js");
  const { pushManager } = await navigator.serviceWorker.ready;
  const before = await pushManager.getSubscription();
  if (before && sameKey(before.options.applicationServerKey)) return before;
  await before?.unsubscribe();
  try {
    return await pushManager.subscribe({ userVisibleOnly: true, applicationServerKey: known.key });
  } catch (failure) {
    throw new Error(t("The browser's push service can't be reached. It is on the internet: without it chat and mail do the job."),
      { cause: failure });
  }
}

/** A subscription is bound to the key it was made with; ours changes only with a new store. */
function sameKey(buffer) {
  const text = btoa(String.fromCharCode(...new Uint8Array(buffer ?? [])));
  return text.replaceAll("+", "-").replaceAll("/", "_").replace(/=+$/, "") === known.key;
}

/** For the worker, should the browser change the endpoint while no page is open. */
async function remember(by) {
  const outlets = known.phones.filter((phone) => phone.device === device).map((phone) => phone.outlet);
  const state = { by, device, outlets, key: known.key, language: document.documentElement.lang,
    lost: t("This phone no longer hears the bell. Tap to set it up again.") };
  const cache = await caches.open(PHONE);
  await cache.put("/phone", new Response(JSON.stringify(state)));
}

async function sendTest(outlet) {
  const by = await who();
  if (!by) return null;
  const { delivered, reason } = await post(path("phones", device, "test"), { by, outlet });
  if (!delivered) throw new Error(t("Not sent: {reason}.", { reason }));
  return t("Sent. It should show within some seconds.");
}

async function stop(name, outlet) {
  const by = await who();
  if (!by) return null;
  await post(path("phones", name, "end"), { by, outlet });
  await look();
  if (name === device && !known.phones.some((phone) => phone.device === device)) {
    await (await subscription())?.unsubscribe();
    device = null;
  }
  draw();
  if (device) await remember(by);
  return t("Stopped.");
}

window.addEventListener("beforeinstallprompt", (event) => {
  event.preventDefault();
  byId("install").hidden = false;
  byId("install").firstElementChild.onclick = () => event.prompt();
});

if (window.isSecureContext && "serviceWorker" in navigator) {
  navigator.serviceWorker.register("/sw.js").catch(() => null); // it only adds; `hear` says what is wrong
}
look().catch((failure) => {
  say(byId("can"), failure.message);
  byId("can").classList.add("alarm");
});

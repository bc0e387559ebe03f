// Hears the bell when no page is open: shows what is pushed, does what a press asks for, says how it went.
// `SHELL` and `VERSION` stand before this text: what the page without a connection needs, and a mark of its state.
// All texts for people come with the message, in the phone's language. Only a press on a button changes anything.

const KEPT = `earlybell-shell-${VERSION}`;
const SEEN = "earlybell-seen";
const PHONE = "earlybell-phone";
const LAST = "/api/v1/notices?limit=1000";
const PATIENCE_MS = 10_000;
const NOBODY_BEHIND = [502, 503, 504]; // what a proxy says while the service is away

self.addEventListener("install", (event) => {
  event.waitUntil(caches.open(KEPT).then((shell) => shell.addAll(SHELL)).then(() => self.skipWaiting()));
});

self.addEventListener("activate", (event) => {
  event.waitUntil(forgetOldShells().then(() => self.clients.claim()));
});

self.addEventListener("push", (event) => event.waitUntil(hear(event.data)));
self.addEventListener("notificationclick", (event) => {
  event.notification.close();
  event.waitUntil(event.action ? press(event.notification.data, event.action) : open(event.notification.data));
});
self.addEventListener("pushsubscriptionchange", (event) => event.waitUntil(subscribeAnew(event)));

self.addEventListener("fetch", (event) => {
  const { method, mode, url } = event.request;
  const { origin, pathname, search } = new URL(url);
  if (origin !== self.location.origin) return;
  if (method === "POST" && pathname === "/sign-out") event.waitUntil(caches.delete(SEEN));
  if (method !== "GET") return;
  if (mode === "navigate") event.respondWith(page(event.request));
  else if (SHELL.includes(pathname)) event.respondWith(fetch(event.request).catch(() => kept(pathname)));
  else if (pathname + search === LAST) event.respondWith(seen(event.request));
});

async function forgetOldShells() {
  const names = await caches.keys();
  await Promise.all(names.filter((name) => name.startsWith("earlybell-shell-") && name !== KEPT)
    .map((name) => caches.delete(name)));
}

// What is pushed

async function hear(data) {
  let said;
  try {
    said = data.json();
  } catch {
    return self.registration.showNotification("Earlybell"); // a push that shows nothing costs the subscription
  }
  const shown = await self.registration.getNotifications();
  const same = shown.find((each) => each.tag === said.tag);
  if (same && isOlder(said, same.data)) return show(same.data, { silent: true });
  const told = same && said.items.length > 1 ? merged(said, same.data) : said;
  for (const each of shown) if (each !== same) await lessen(each, told);
  return show(told);
}

/** Push services may hand over in any order: what is newer stays. */
function isOlder(said, there) {
  const [one] = said.items;
  return said.items.length === 1 && there?.items?.length === 1 && one.version < there.items[0].version;
}

/** A message about several replaces the one before it: what only that one told goes along. */
function merged(said, there) {
  const ids = new Set(said.items.map((item) => item.id));
  const others = (there?.items ?? []).filter((item) => !ids.has(item.id));
  if (!others.length) return said;
  return { ...said, items: [...said.items, ...others], body: [said.body, ...others.map((item) => item.text)].join("\n") };
}

/** What is told anew leaves the messages that told it before. */
async function lessen(shown, { items }) {
  const ids = new Set(items.map((item) => item.id));
  const before = shown.data?.items ?? [];
  const rest = before.filter((item) => !ids.has(item.id));
  if (rest.length === before.length) return;
  if (!rest.length) shown.close();
  else await show({ ...shown.data, items: rest, body: rest.map((item) => item.text).join("\n") }, { silent: true });
}

function show(said, { silent = said.silent } = {}) {
  return self.registration.showNotification(said.title, {
    body: said.body,
    tag: said.tag,
    renotify: !silent,
    silent,
    requireInteraction: !silent && said.level !== "early",
    timestamp: Date.parse(said.at) || Date.now(),
    icon: "/static/bell-192.png",
    badge: "/static/bell-badge.png",
    actions: said.actions,
    data: said,
  });
}

// What a press does

async function press(said, action) {
  const [{ id }] = said.items;
  const body = action === "take" ? { by: said.by } : { by: said.by, ...bound(said.quiet) };
  let answer;
  try {
    answer = await fetch(`/api/v1/notices/${encodeURIComponent(id)}/${action}`, {
      method: "POST",
      headers: { "content-type": "application/json", ...(said.key && { authorization: `Bearer ${said.key}` }) },
      body: JSON.stringify(body),
      signal: AbortSignal.timeout(PATIENCE_MS),
    });
  } catch {
    return show({ ...said, body: `${said.said.lost}\n${said.body}` }, { silent: false });
  }
  return show({ ...said, actions: [], body: await outcome(answer, said.said, action) }, { silent: true });
}

const bound = ({ panels, minutes }) =>
  panels ? { panels } : { until: new Date(Date.now() + minutes * 60_000).toISOString() };

async function outcome(answer, said, action) {
  if (answer.ok) return said[action];
  if (answer.status === 409) {
    const notice = await answer.json().catch(() => ({}));
    if (notice.state === "closed") return said.closed;
    return notice.taken_by ? said.first.replace("{name}", notice.taken_by) : said.someone;
  }
  return answer.status >= 500 ? said.lost : said.ended;
}

async function open({ url = "/" }) {
  const wanted = new URL(url, self.location.origin);
  const windows = await self.clients.matchAll({ type: "window" });
  const there = windows.find((each) => new URL(each.url).pathname === wanted.pathname);
  return there && !wanted.hash ? there.focus() : self.clients.openWindow(wanted.href);
}

// Another endpoint for this phone

async function subscribeAnew({ oldSubscription, newSubscription }) {
  const phone = await caches.open(PHONE).then((cache) => cache.match("/phone")).then((found) => found?.json());
  if (!phone?.outlets?.length) return;
  try {
    const subscription = newSubscription ?? (await self.registration.pushManager.subscribe(
      oldSubscription?.options ?? { userVisibleOnly: true, applicationServerKey: phone.key }));
    const { endpoint, keys } = subscription.toJSON();
    for (const outlet of phone.outlets) {
      const asked = { by: phone.by, outlet, endpoint, ...keys, language: phone.language, instead_of: phone.device };
      const answer = await fetch("/api/v1/phones", {
        method: "POST",
        headers: { "content-type": "application/json" },
        body: JSON.stringify(asked),
      });
      if (!answer.ok) throw new Error(String(answer.status));
    }
  } catch {
    await self.registration.showNotification(phone.lost, { tag: "phone", data: { url: "/phone" } });
  }
}

// Without a connection

const kept = (pathname) => caches.match(pathname, { cacheName: KEPT }).then((found) => found ?? Response.error());

async function page(request) {
  const late = new Promise((_, reject) => setTimeout(reject, PATIENCE_MS));
  try {
    const answer = await Promise.race([fetch(request), late]);
    return NOBODY_BEHIND.includes(answer.status) ? await kept("/offline") : answer;
  } catch {
    return kept("/offline");
  }
}

/** The open notices as they were last heard, with the moment: for the page without a connection alone. */
async function seen(request) {
  const answer = await fetch(request);
  if (answer.ok) {
    const copy = answer.clone();
    const headers = { "content-type": "application/json", "x-heard-at": new Date().toISOString() };
    caches.open(SEEN)
      .then(async (cache) => cache.put(LAST, new Response(await copy.text(), { headers })))
      .catch(() => null); // the phone is full: it shows nothing old then
  }
  return answer;
}

// Keeps what is shown true: follows the stream, fetches again when it breaks, and knows how old things are.
// Everything is fetched once the stream is open, never before: so no change falls between the two.

import { get, knock, path } from "./api.js";
import * as state from "./state.js";

const LOOK_AGAIN_MS = 5000;
const WITHOUT_STREAM_MS = 10000;
const LINES_MS = 15000;
const ALL_MS = 60000;
const SILENT_MS = 12000;
const NEW_LINE_MS = 2000;
const ASLEEP_MS = 8000;

/**
 * Follow the service for ever: all lines or one `line`, and the notices that `also()` fetches beside the open ones.
 * `shown()` is called after anything changed, `told(changes)` with notices that changed,
 * `condition({state, age})` about the connection: `live`, `polling` (no stream) or `lost`. `events` hear what else
 * the stream says, by the name of the event.
 */
export function follow({ line, also, shown, told, condition, events = {} }) {
  let source = null;
  let streaming = false;
  let heardAt = null;
  let heardClock = null;
  let tickedAt = Date.now();
  let seenAt = performance.now();
  let allAt = -Infinity;
  let linesAt = -Infinity;
  let lost = false;
  let fetching = false;
  let again = false;

  function heard() {
    heardAt = performance.now();
    heardClock = Date.now();
    lost = false;
    report();
  }

  function report() {
    if (document.hidden) return; // browsers let hidden pages sleep: their silence means nothing
    const age = heardAt === null ? null : ageOfAll();
    const silent = heardAt !== null && performance.now() - Math.max(heardAt, seenAt) > SILENT_MS;
    condition({ state: lost || silent ? "lost" : streaming ? "live" : "polling", age });
  }

  /** In seconds. Some devices stop one clock while they sleep, and the other may be set: the older one is true. */
  function ageOfAll() {
    return Math.max(performance.now() - heardAt, Date.now() - heardClock, 0) / 1000;
  }

  async function fetchAll() {
    state.beginFetch();
    const rows = await get("/lines");
    const wanted = rows.filter((row) => !line || row.line === line);
    const [notices, others, ...slots] = await Promise.all([
      get("/notices?limit=1000"),
      also ? also() : [],
      ...wanted.map((row) => get(`${path("lines", row.line)}/slots`)),
    ]);
    state.putLines(rows);
    wanted.forEach((row, index) => state.putSlots(row.line, slots[index]));
    told(state.putNotices([...others, ...notices]));
    allAt = linesAt = performance.now();
  }

  async function fetchLines() {
    state.putLines(await get("/lines"));
    linesAt = performance.now();
  }

  /** What is worth asking just now: what the stream doesn't bring, and whether anybody is there. */
  function next(all) {
    const now = performance.now();
    if (all || now - allAt > (streaming ? ALL_MS : WITHOUT_STREAM_MS)) return fetchAll();
    if (now - linesAt > LINES_MS) return fetchLines();
    return now - heardAt < LOOK_AGAIN_MS ? null : knock();
  }

  /** One look at a time; wishes for everything while one is under way become one more after it. */
  async function look({ all = false } = {}) {
    again ||= all && fetching;
    const asked = fetching ? null : next(all);
    if (asked === null) return;
    fetching = true;
    try {
      await asked;
      heard();
      shown();
    } catch {
      lost = true;
      report();
    }
    fetching = false;
    if (again) {
      again = false;
      look({ all: true });
    }
  }

  function listen() {
    source = new EventSource(`/api/v1/stream${line ? `?line=${encodeURIComponent(line)}` : ""}`);
    source.addEventListener("open", () => { streaming = true; look({ all: true }); });
    source.addEventListener("error", () => { streaming = false; report(); look(); });
    source.addEventListener("resync", () => look({ all: true }));
    source.addEventListener("forecast", (event) => {
      const slot = JSON.parse(event.data);
      state.hearSlot(slot);
      heard();
      if (!state.lines.has(slot.line) && performance.now() - allAt > NEW_LINE_MS) look({ all: true });
      shown();
    });
    for (const [name, hear] of Object.entries(events)) {
      source.addEventListener(name, (event) => {
        hear(JSON.parse(event.data));
        heard();
      });
    }
    source.addEventListener("notice", (event) => {
      const notice = JSON.parse(event.data);
      told([{ notice, ...state.hearNotice(notice) }]);
      heard();
      shown();
    });
  }

  function tend() {
    report();
    if (document.hidden) return;
    if (source.readyState === EventSource.CLOSED) listen(); // refused (503): the browser doesn't try again
    look();
  }

  /** Each second; a longer gap means that the device slept, and nobody knows what it missed. */
  function tick() {
    const slept = Date.now() - tickedAt > ASLEEP_MS;
    tickedAt = Date.now();
    if (slept && !document.hidden) wake();
    else report();
  }

  /** A stream that was open before may be dead without knowing it, and a new one costs little. */
  function wake() {
    seenAt = performance.now();
    tickedAt = Date.now();
    source.close();
    listen();
    look({ all: true });
  }

  listen();
  setInterval(tend, LOOK_AGAIN_MS);
  setInterval(tick, 1000);
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) return;
    if (Date.now() - tickedAt > ASLEEP_MS) wake();
    seenAt = performance.now();
    tend();
  });
  window.addEventListener("online", wake);
  window.addEventListener("offline", () => {
    lost = true;
    report();
  });
}

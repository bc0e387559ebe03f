// What the page knows: lines, slots and notices as last heard. It draws nothing.

export const lines = new Map();
export const slots = new Map();
export const notices = new Map();

const keyOf = (thing) => `${thing.line}/${thing.station}/${thing.slot}`;
const RANK = { empty: 3, urgent: 2, early: 1 };
const numeric = new Intl.Collator("en", { numeric: true });

/** What is heard through the stream while a fetch is under way is newer than what the fetch brings. */
let heardMeanwhile = new Set();

export function beginFetch() {
  heardMeanwhile = new Set();
}

export function hearSlot(slot) {
  slots.set(keyOf(slot), slot);
  heardMeanwhile.add(keyOf(slot));
}

export function putLines(rows) {
  lines.clear();
  for (const row of rows) lines.set(row.line, row);
}

export function putSlots(line, rows) {
  const named = new Set(rows.map(keyOf));
  for (const [key, slot] of slots) {
    if (slot.line === line && !named.has(key) && !heardMeanwhile.has(key)) slots.delete(key);
  }
  for (const row of rows) if (!heardMeanwhile.has(keyOf(row))) slots.set(keyOf(row), row);
}

/** Keep the newer version of a notice. Says what it was before, for who wants to tell the difference. */
export function hearNotice(notice) {
  const before = notices.get(notice.id);
  if (before && before.version > notice.version) return { before, changed: false };
  notices.set(notice.id, notice);
  heardMeanwhile.add(notice.id);
  return { before, changed: !before || before.version !== notice.version };
}

export function putNotices(rows) {
  const named = new Set(rows.map((row) => row.id));
  for (const id of notices.keys()) if (!named.has(id) && !heardMeanwhile.has(id)) notices.delete(id);
  return rows.map((row) => ({ notice: row, ...hearNotice(row) }));
}

export const slotOf = (notice) => slots.get(keyOf(notice));

/** A notice's numbers are those of its last told change; its slot knows today's. */
export function numbersOf(notice) {
  return slotOf(notice)?.panels_to_empty ? slotOf(notice) : notice;
}

export const isQuestion = (notice) => notice.kind === "question";
const isOpen = (notice, line) =>
  notice.state !== "closed" && (!line || !notice.line || notice.line === line);

/** What needs someone. Open before taken before quiet; worst first, then soonest. */
export function noticesInOrder(line) {
  const order = { open: 0, taken: 1, quiet: 2 };
  const soon = (notice) => numbersOf(notice).panels_to_empty?.p50 ?? Infinity;
  return [...notices.values()]
    .filter((notice) => isOpen(notice, line) && !isQuestion(notice))
    .sort((a, b) =>
      order[a.state] - order[b.state] || (RANK[b.level] ?? 0) - (RANK[a.level] ?? 0) ||
      soon(a) - soon(b) || numeric.compare(a.id, b.id));
}

/** What a person is asked, oldest first. */
export function questionsInOrder(line) {
  return [...notices.values()]
    .filter((notice) => isOpen(notice, line) && isQuestion(notice))
    .sort((a, b) => (a.opened_at < b.opened_at ? -1 : a.opened_at > b.opened_at ? 1 : 0));
}

/** Soonest first, then those without numbers, then those the recipe doesn't use. */
export function slotsInOrder(line) {
  const group = (slot) => (slot.state === "empty" ? -1 : slot.state === "idle" ? 2 : slot.panels_to_empty ? 0 : 1);
  const far = (slot, quantile) => slot.panels_to_empty?.[quantile] ?? 0;
  return [...slots.values()]
    .filter((slot) => slot.line === line)
    .sort((a, b) =>
      group(a) - group(b) || far(a, "p50") - far(b, "p50") || far(a, "p05") - far(b, "p05") ||
      numeric.compare(a.station, b.station) || numeric.compare(a.slot, b.slot));
}

/** The newest moment anything of the line is from; its clock may run faster than the wall's. */
export function nowOf(line) {
  let now = null;
  for (const slot of slots.values()) if (slot.line === line && slot.as_of > (now ?? "")) now = slot.as_of;
  return now;
}

/** Seconds a panel takes: the line is as fast as its slowest station. */
export function taktOf(line) {
  const stations = lines.get(line)?.stations ?? [];
  return Math.max(0, ...stations.map((station) => station.takt_seconds ?? 0)) || null;
}

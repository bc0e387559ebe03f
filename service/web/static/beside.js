// What is asked of each line beside the stream: at once, and again when there was news, but not too often.

const EVERY_MS = 5000;
const EACH_MS = 1000;
const PUSHED_MS = 60000;

/** `ask(line)` fetches it; `changed()` is called when something came. What can't be fetched stays as it was. */
export function beside(ask, changed) {
  const known = new Map();
  let wanted = [];
  let askedAt = -Infinity;
  let waiting = null;
  const pushed = new Set();

  async function askAll() {
    waiting = null;
    if (document.hidden) return; // asked when somebody looks again
    askedAt = performance.now();
    const found = await Promise.all(wanted.map((line) => ask(line).catch(() => null))); // the connection's own watch says so
    wanted.forEach((line, index) => found[index] && known.set(line, found[index]));
    for (const line of known.keys()) if (!wanted.includes(line)) known.delete(line);
    changed();
  }

  /** Many lines take turns; those of which the service says it by itself are asked seldom. */
  const pause = () => Math.max(wanted.every((line) => pushed.has(line)) ? PUSHED_MS : EVERY_MS, wanted.length * EACH_MS);

  /** Something about these lines is new. */
  function news(lines) {
    const more = lines.some((line) => !wanted.includes(line));
    wanted = lines;
    if (more) clearTimeout(waiting);
    if (more || waiting === null) waiting = setTimeout(askAll, more ? 0 : Math.max(0, pause() - (performance.now() - askedAt)));
  }

  /** The service said it by itself, as it does of the lines of its own shard. */
  function put(line, value) {
    pushed.add(line);
    known.set(line, value);
    changed();
  }

  function now() {
    clearTimeout(waiting);
    waiting = setTimeout(askAll, 0);
  }
  return { known, news, now, put };
}

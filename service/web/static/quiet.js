// What is quiet: folded away, with a line that says when the next of it speaks again.

import { make, say } from "./dom.js";
import { many, t } from "./language.js";
import { nameOf, showNotices } from "./notices.js";
import { taktOf } from "./state.js";
import { clock, panels as panelsOf } from "./words.js";

/** Show quiet `notices` in the folded `parent`; nothing at all where there are none. */
export function showQuiet(parent, notices, keep) {
  if (parent.childElementCount === 0) parent.append(make("summary"), make("div", { class: "cards" }));
  const [summary, cards] = parent.children;
  parent.hidden = notices.length === 0;
  showNotices(cards, notices, keep);
  if (notices.length === 0) return;
  say(summary, `${many(notices.length, "{n} is quiet", "{n} are quiet")}. ${nextWords(notices)}`);
}

function nextWords(notices) {
  const [next] = notices.map((notice) => ({ notice, at: speaksAt(notice) })).sort((a, b) => a.at - b.at);
  const place = nameOf(next.notice);
  const panels = next.notice.quiet_panels;
  if (Number.isFinite(next.at)) return t("{place} speaks again about {time}.", { place, time: clock(next.at) });
  if (panels) return t("{place} speaks again after {panels}.", { place, panels: panelsOf(panels) });
  return t("{place} speaks again when it gets worse.", { place });
}

/** When its quiet spell ends, so far as that is known: panels take as long as the line's takt says. */
function speaksAt({ line, changed_at: since, quiet_until: until, quiet_panels: panels }) {
  if (until) return Date.parse(until);
  const takt = taktOf(line);
  return panels && takt ? Date.parse(since) + panels * takt * 1000 : Infinity;
}

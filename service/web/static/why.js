// Why a slot's number is what it is: two sentences, and the figures behind them for who wants to check.

import { make, say } from "./dom.js";
import { clockWithSeconds, count, number, thing } from "./words.js";

const SAID_BY = { label: "as declared", person: "counted by a person", usual: "the usual quantity, assumed" };
const UNKNOWN = "not known";

export function whyView() {
  const sentences = make("div", { class: "sentences" });
  const list = make("dl", { class: "figures" });
  const element = make("div", {}, sentences, list);

  function show(why, slot) {
    if (why === null) return;
    while (sentences.childElementCount < why.sentences.length) sentences.append(make("p"));
    why.sentences.forEach((sentence, index) => say(sentences.children[index], sentence));
    const rows = rowsOf(why.figures, slot);
    while (list.childElementCount < rows.length) list.append(make("div", {}, make("dt"), make("dd")));
    while (list.childElementCount > rows.length) list.lastElementChild.remove();
    rows.forEach(([term, value], index) => {
      const [name, text] = list.children[index].children;
      say(name, term);
      say(text, value);
    });
  }
  return { element, show };
}

const known = (value, words) => (value === null || value === undefined ? UNKNOWN : words(value));
const perThousand = (rate) => `${number(rate * 1000)} in 1,000`;
const percent = (chance) => (chance > 0 && chance < 0.001 ? "under 0.1 %" : `${number(chance * 100)} %`);
const signed = (parts) => `${parts > 0 ? "+" : parts < 0 ? "−" : ""}${number(Math.abs(parts))}`;

function rowsOf(figures, slot) {
  const f = figures;
  return [
    ["Declared", known(f.declared, (parts) => `${count(parts, "part")}, ${SAID_BY[f.quantity_from] ?? ""}`)],
    ["Said at", known(f.since, clockWithSeconds)],
    ["Counted since", known(f.counted_since, (parts) => count(parts, "part"))],
    ["Labels like this", shortage(f)],
    ["Losses here", `${perThousand(f.loss_rate)}, believed from ${number(f.losses_weighed)} in ` +
      `${number(Math.round(f.placements_weighed))} counted, old ones fading`],
    [`Usual for a ${thing(slot.kind)}`, perThousand(f.usual_loss_rate)],
    ["Losses not reported", known(f.unreported, (parts) => `for ${count(parts, "placement")}`)],
    f.missing ? ["Perhaps uncounted", `up to ${count(Math.round(f.missing), "part")}`] : null,
    ["Usage", known(f.usage_per_panel, (parts) => `${count(parts, "part")} a panel, ${
      f.usage_source === "recipe" ? "from the recipe" : "learned from the counts"}`)],
    f.shared_with.length ? ["Shared with", f.shared_with.join(", ")] : null,
    ["Order left", f.order_panels_left === null ? "no limit is known" : count(f.order_panels_left, "panel")],
    ["Takt", known(f.takt_seconds, (seconds) => `${number(seconds)} s a panel`)],
    ["Warned", `${count(f.lead_panels, "panel")} before empty${
      f.lead_minutes ? ` (at least ${number(f.lead_minutes)} min)` : ""}, urgent at ${number(f.urgent_panels)}`],
    ["Chance", `${known(f.chance, percent)}; a warning is given from ${percent(f.chance_limit)}`],
    ["Evidence", f.evidence.join(", ") || "none yet"],
    ["Last count", known(f.last_count, clockWithSeconds)],
    ["Session, seq", f.session === null && f.seq === null ? UNKNOWN : `${f.session ?? "none"}, ${f.seq ?? "none"}`],
    ["Assumed", f.assumed ? "yes: nobody said how many were loaded" : "no"],
  ].filter(Boolean);
}

function shortage({ shortage: usual, declared }) {
  if (usual) return `hold ${signed(usual.mean)} parts on average, ${signed(usual.low)} to ${signed(usual.high)}`;
  return declared === null ? UNKNOWN : "taken at its word";
}

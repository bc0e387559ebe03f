// Why a slot's number is what it is: two sentences, and the figures behind them for who wants to check.

import { make, say } from "./dom.js";
import { many, t } from "./language.js";
import { clockWithSeconds, number, ofKind, panels, parts, sentence } from "./words.js";

const SAID_BY = {
  label: t("as declared"), person: t("counted by a person"), usual: t("the usual quantity, assumed"),
};
const UNKNOWN = t("not known");
const USUAL = {
  tape: t("Usual for a reel"), tray: t("Usual for a tray"), stick: t("Usual for a stick"), bulk: t("Usual for a case"),
  other: t("Usual for a supply"),
};
const EVIDENCE = {
  declared: t("declared"), "counted by a person": t("counted by a person"), "usual quantity": t("usual quantity"),
  placements: t("placements"), losses: t("losses"), "missing counts": t("missing counts"), "refill seen": t("refill seen"),
  "low signal": t("low signal"), "out signal": t("out signal"), order: t("order"), takt: t("takt"),
};

export function whyView() {
  const sentences = make("div", { class: "sentences" });
  const list = make("dl", { class: "figures" });
  const element = make("div", {}, sentences, list);

  function show(why, slot) {
    if (why === null) return;
    while (sentences.childElementCount < why.sentences.length) sentences.append(make("p"));
    why.sentences.forEach((each, index) => say(sentences.children[index], why.said ? sentence(why.said[index]) : each));
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
const perThousand = (rate) => t("{n} in 1,000", { n: number(rate * 1000) });
const percent = (chance) => (chance > 0 && chance < 0.001 ? t("under 0.1 %") : `${number(chance * 100)} %`);
const signed = (n) => `${n > 0 ? "+" : n < 0 ? "−" : ""}${number(Math.abs(n))}`;

function rowsOf(figures, slot) {
  const f = figures;
  return [
    [t("Declared"), known(f.declared, (n) => [parts(n), SAID_BY[f.quantity_from]].filter(Boolean).join(", "))],
    [t("Said at"), known(f.since, clockWithSeconds)],
    [t("Counted since"), known(f.counted_since, parts)],
    [t("Labels like this"), shortage(f)],
    [t("Losses here"), lossWords(f)],
    [ofKind(slot.kind, USUAL), perThousand(f.usual_loss_rate)],
    [t("Losses not reported"), known(f.unreported, (n) => many(n, "for {n} placement", "for {n} placements"))],
    f.missing ? [t("Perhaps uncounted"), t("up to {parts}", { parts: parts(Math.round(f.missing)) })] : null,
    [t("Usage"), known(f.usage_per_panel, (n) => usageWords(n, f.usage_source))],
    f.shared_with.length ? [t("Shared with"), f.shared_with.join(", ")] : null,
    [t("Order left"), f.order_panels_left === null ? t("no limit is known") : panels(f.order_panels_left)],
    [t("Takt"), known(f.takt_seconds, (seconds) => t("{n} s a panel", { n: number(seconds) }))],
    [t("Warned"), warnedWords(f)],
    [t("Chance"), t("{chance}; a warning is given from {limit}", {
      chance: known(f.chance, percent), limit: percent(f.chance_limit),
    })],
    [t("Evidence"), f.evidence.map((each) => EVIDENCE[each] ?? each).join(", ") || t("none yet")],
    [t("Last count"), known(f.last_count, clockWithSeconds)],
    [t("Session, seq"), f.session === null && f.seq === null ? UNKNOWN : `${f.session ?? t("none")}, ${f.seq ?? t("none")}`],
    [t("Assumed"), f.assumed ? t("yes: nobody said how many were loaded") : t("no")],
  ].filter(Boolean);
}

function lossWords({ loss_rate: rate, losses_weighed: lost, placements_weighed: placed }) {
  return t("{rate}, believed from {lost} in {placed} counted, old ones fading", {
    rate: perThousand(rate), lost: number(lost), placed: number(Math.round(placed)),
  });
}

function usageWords(usage, source) {
  const each = many(usage, "{n} part a panel", "{n} parts a panel");
  return `${each}, ${source === "recipe" ? t("from the recipe") : t("learned from the counts")}`;
}

function warnedWords({ lead_panels: lead, lead_minutes: minutes, urgent_panels: urgent }) {
  const values = { panels: panels(lead), minutes: number(minutes ?? 0), urgent: number(urgent) };
  return minutes
    ? t("{panels} before empty (at least {minutes} min), urgent at {urgent}", values)
    : t("{panels} before empty, urgent at {urgent}", values);
}

function shortage({ shortage: usual, declared }) {
  if (usual) {
    return t("hold {mean} parts on average, {low} to {high}", {
      mean: signed(usual.mean), low: signed(usual.low), high: signed(usual.high),
    });
  }
  return declared === null ? UNKNOWN : t("taken at its word");
}

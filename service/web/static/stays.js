// How one supply's time in one slot is told: what it was, from when to when, which panels, who exchanged it.

import { make } from "./dom.js";
import { number, t } from "./language.js";
import { clock, day, ofKind, pageOf, parts, range } from "./words.js";

const ENDED = {
  "loaded over": t("another was loaded"), "joint passed": t("the joint passed"), removed: t("taken out"),
  "seen refilled": t("a refill was seen"), "ran empty": t("it ran empty"),
};

const HERE = "\u0000";

const moment = (time) => `${day(time)} ${clock(time)}`;
const sameDay = (one, other) => day(one) === day(other);

/** `02/03/2026 06:14 – 07:20`; what isn't known or goes on is said. */
export function when({ from, to, waits }) {
  if (waits) return t("its joint hasn't passed yet");
  const begin = from ? moment(from) : t("before we heard of it");
  if (!to) return t("{begin} until now", { begin });
  return t("{begin} to {end}", { begin, end: from && sameDay(from, to) ? clock(to) : moment(to) });
}

/** Panels of several stretches, `1–30, 40–50`, each in one piece; in their place in the sentence. */
function stretches(sentence, spans) {
  const [before, after] = sentence(HERE).split(HERE);
  return [before, ...spaced(spans.map(({ first, last }) => make("span", { class: "whole" }, range(first, last)))), after];
}

/** Those of `span` that aren't sure. */
export function doubtful({ sure, possible }) {
  if (!sure) return [possible];
  return [{ first: possible.first, last: sure.first - 1 }, { first: sure.last + 1, last: possible.last }]
    .filter(({ first, last }) => first <= last);
}

/** What panels are counted from: an order, or the station itself. */
export function ofWhat({ order, station, start_seen: seen }) {
  if (order === null) return station ? t("{station}, without an order", { station }) : t("without an order");
  return seen ? t("order {order}", { order }) : t("order {order}, counted since we know of it", { order });
}

/** Sure panels in bold, doubtful ones in words behind them: the difference isn't one of looks alone. */
export function panelWords(sure, doubt) {
  return [
    sure.length > 0 && make("span", { class: "sure" }, ...stretches((panels) => t("surely panels {panels}", { panels }), sure)),
    doubt.length > 0 && make("span", { class: "doubt" }, ...stretches((panels) => t("perhaps panels {panels}", { panels }), doubt)),
  ].filter(Boolean);
}

/** The lot, or that nobody named one. */
export const lotOf = ({ lot }) => (lot === null ? t("lot not known") : t("lot {lot}", { lot }));

function what(stay) {
  const named = stay.supply && ofKind(stay.kind, {
    tape: t("reel {supply}", stay), tray: t("tray {supply}", stay), stick: t("stick {supply}", stay),
    bulk: t("case {supply}", stay), other: t("supply {supply}", stay),
  });
  const quantity = stay.quantity !== null && (stay.assumed ? t("{parts}, assumed", { parts: parts(stay.quantity) }) : parts(stay.quantity));
  return [stay.part, named, quantity].filter(Boolean).join(" · ");
}

function who({ by, ended, ended_by: after }) {
  return [
    by && t("loaded by {person}", { person: by }),
    ended && (after ? t("{how}, by {person}", { how: ENDED[ended] ?? ended, person: after }) : ENDED[ended] ?? ended),
  ].filter(Boolean).join(" · ");
}

function fed(stay) {
  if (stay.panels.length === 0) return make("p", { class: "fed" }, t("No panel was fed from it."));
  return make("ul", { class: "fed" }, ...stay.panels.map((span) => make("li", {},
    make("span", { class: "order" }, `${ofWhat(span)}:`), " ", ...spaced(panelWords(span.sure ? [span.sure] : [], doubtful(span))))));
}

export const spaced = (elements) => elements.flatMap((each, index) => (index ? [", ", each] : [each]));

/** One stay as a row of a list; `here`: where it was is known already. */
export function stayRow(stay, { here = false, sure = null } = {}) {
  const used = stay.used !== null && t("{parts} used", { parts: number(stay.used) });
  return make("li", { class: "stay" },
    make("p", { class: "head" }, make("b", {}, lotOf(stay)),
      !here && make("a", { href: pageOf(stay) }, `${stay.line} ${stay.station} ${stay.slot}`),
      sure !== null && make("span", { class: sure ? "sure" : "doubt" }, sure ? t("surely") : t("perhaps"))),
    make("p", {}, what(stay)),
    make("p", { class: "when" }, [when(stay), used].filter(Boolean).join(" · ")),
    who(stay) && make("p", { class: "who-did" }, who(stay)),
    fed(stay));
}

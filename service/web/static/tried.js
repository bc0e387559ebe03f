// What a source on trial would have counted, beside what was counted in the same time.

import { make } from "./dom.js";
import { many, number, t } from "./language.js";

const MOST = 60;

/** `show` takes the trial of a source; null: nothing is known of it here. */
export function tried() {
  const element = make("div", { class: "trial" });
  return { element, show: (trial) => element.replaceChildren(...(trial ? contentOf(trial) : [])) };
}

function contentOf({ slots, panels, refused }) {
  const rows = [...panels.map(panelsRow), ...slots.map(slotRow)].sort((a, b) => b.weight - a.weight);
  const content = [rows.length
    ? tableOf(rows)
    : make("p", { class: "calm" }, t("It has said nothing yet that would count."))];
  if (refused.length) {
    content.push(make("h4", {}, t("Refused")), make("ul", {}, ...refused.map(({ reason, times }) =>
      make("li", {}, `${many(times, "{n} time", "{n} times")}: ${reason}`))));
  }
  return content;
}

function tableOf(rows) {
  const differing = rows.filter((row) => row.weight > 0).length;
  const caption = differing ? many(differing, "{n} of {all} differs.", "{n} of {all} differ.", { all: number(rows.length) }) : t("No difference.");
  const left = rows.length - MOST;
  return make("table", { class: "tried" },
    make("caption", {}, caption, left > 0 ? ` ${t("The first {n} are shown.", { n: number(MOST) })}` : null),
    make("thead", {}, make("tr", {}, ...[t("Slot"), t("Would count"), t("Counted"), t("Difference")].map((name) => make("th", { scope: "col" }, name)))),
    make("tbody", {}, ...rows.slice(0, MOST).map(rowOf)));
}

function rowOf({ where, what, trial, counted, weight }) {
  return make("tr", { "data-differs": weight > 0 },
    make("th", { scope: "row" }, where, what ? make("small", {}, what) : null),
    make("td", {}, ...amount(trial)),
    make("td", {}, ...(counted ? amount(counted) : ["–"])),
    make("td", {}, ...(counted ? difference(trial, counted) : [t("nobody counts it")])));
}

const amount = ({ placed, lost }) => [number(placed), lost ? make("small", {}, t("{n} lost", { n: number(lost) })) : null];
const signed = (n) => (n > 0 ? `+${number(n)}` : n < 0 ? `−${number(-n)}` : "0");

function difference(trial, counted) {
  const lost = trial.lost - counted.lost;
  return [signed(trial.placed - counted.placed), lost ? make("small", {}, t("{n} lost", { n: signed(lost) })) : null];
}

/** What isn't counted at all stands behind what differs: it may be a new machine. */
function weightOf(trial, counted) {
  if (!counted) return 0;
  return Math.abs(trial.placed - counted.placed) + Math.abs(trial.lost - counted.lost);
}

function slotRow({ line, station, slot, trial, counted }) {
  return { where: `${line} ${station} ${slot}`, what: null, trial, counted, weight: weightOf(trial, counted) };
}

function panelsRow({ line, station, trial, counted }) {
  const of = (placed) => (placed === null ? null : { placed, lost: 0 });
  const both = { trial: of(trial), counted: of(counted) };
  return { where: `${line} ${station}`, what: t("panels"), ...both, weight: weightOf(both.trial, both.counted) };
}

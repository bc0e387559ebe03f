// How supplies are counted and named, and the sign of what stands ready.

import { draw } from "./dom.js";
import { many, number, t } from "./language.js";

const COUNTED = {
  tape: (n, filled) => many(n, "1 reel", "{number} reels", filled),
  tray: (n, filled) => many(n, "1 tray", "{number} trays", filled),
  stick: (n, filled) => many(n, "1 stick", "{number} sticks", filled),
  bulk: (n, filled) => many(n, "1 bulk case", "{number} bulk cases", filled),
};
const other = (n, filled) => many(n, "1 supply", "{number} supplies", filled);

/** `2 reels` */
export const soMany = (kind, n) => (COUNTED[kind] ?? other)(n, { number: number(n) });

export const place = ({ station, slot }) => `${station} ${slot}`;

/** `2 reels R-10K-0402`, or for which slot where nobody knows the part. */
export function named(kind, n, part, where) {
  const supplies = soMany(kind, n);
  return part ? `${supplies} ${part}` : t("{supplies} for {place}", { supplies, place: where });
}

const picture = (kind, ...shapes) => draw("svg", { viewBox: "-11 -11 22 22", class: `icon ${kind}`, "aria-hidden": "true" }, ...shapes);

/** A box, ticked or not. */
export const box = (ticked) => picture("box", draw("rect", { x: -8, y: -8, width: 16, height: 16 }),
  ticked && draw("path", { d: "M-4.5 0-1 4 5-4.5" }));

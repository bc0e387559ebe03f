// A matrix tray as a small picture: the cells that were passed, the next one, those still to come.

import { draw, make, say } from "./dom.js";
import { many, number, t } from "./language.js";

const CELL = 10;
const MOST_DRAWN = 1200;

export function trayView() {
  const words = make("p", { class: "tray-words" });
  const note = make("p", { class: "note" });
  const alarm = make("p", { class: "alarm", hidden: true });
  const picture = draw("svg", { class: "tray-picture", "aria-hidden": "true" });
  const element = make("div", { class: "tray" }, words, picture, note, alarm);
  let drawnFor = "";

  function show(tray) {
    say(words, trayWords(tray));
    say(note, noteWords(tray));
    alarm.hidden = tray.too_many === 0;
    say(alarm, tray.too_many === 0 ? "" : tooMany(tray));
    const key = JSON.stringify([tray.rows, tray.columns, tray.next]);
    const tooFine = tray.rows * tray.columns > MOST_DRAWN;
    picture.toggleAttribute("hidden", tooFine || tray.next === null);
    if (key === drawnFor || tooFine || tray.next === null) return;
    drawnFor = key;
    picture.setAttribute("viewBox", `0 0 ${tray.columns * CELL} ${tray.rows * CELL}`);
    picture.replaceChildren(...cells(tray));
  }
  return { element, show };
}

/** `Tray 2 of 3, next cell: row 4, column 6.` Rows and columns as people count them, from 1. */
export function trayWords({ rows, columns, stack, tray, next }) {
  const size = { rows: number(rows), columns: number(columns), stack: number(stack) };
  if (next === null) {
    return stack > 1
      ? t("{stack} trays of {rows} × {columns} cells; which cell is next isn't known.", size)
      : t("A tray of {rows} × {columns} cells; which cell is next isn't known.", size);
  }
  const cell = { ...size, tray: number(tray), row: number(next[0] + 1), column: number(next[1] + 1) };
  return stack > 1
    ? t("Tray {tray} of {stack}, next cell: row {row}, column {column}.", cell)
    : t("Next cell: row {row}, column {column}.", cell);
}

function noteWords({ rows, columns, by_cells: byCells, empty_cavities: empty }) {
  return [
    t("{rows} rows, {columns} columns; row by row from the first cell.", { rows: number(rows), columns: number(columns) }),
    byCells && t("Nobody counted its parts: there are at most as many as cells."),
    empty > 0 && many(empty, "{n} cavity was found empty.", "{n} cavities were found empty."),
  ].filter(Boolean).join(" ");
}

const tooMany = ({ too_many: more, cells: all }) =>
  many(more, "{n} part more was declared than the {cells} cells can hold. Count what is left.",
    "{n} parts more were declared than the {cells} cells can hold. Count what is left.", { cells: number(all) });

/** Passed cells are outlines, those to come are filled, the next one is ringed. */
function cells({ rows, columns, next: [row, column] }) {
  const at = row * columns + column;
  const whole = (x, y, width, height, kind) =>
    draw("rect", { x: x * CELL + 1, y: y * CELL + 1, width: width * CELL - 2, height: height * CELL - 2, class: kind, rx: 1 });
  const all = Array.from({ length: rows * columns }, (_, index) =>
    whole(index % columns, Math.floor(index / columns), 1, 1, index < at ? "passed" : "full"));
  return [...all, draw("rect", { x: column * CELL - 1, y: row * CELL - 1, width: CELL + 2, height: CELL + 2, class: "next", rx: 2 })];
}

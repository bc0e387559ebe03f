// It is done: what is in the slot now, a minute to take it back, and the next slot.

import { pressable, teller } from "./act.js";
import { make, say } from "./dom.js";
import { t } from "./language.js";
import { picture } from "./verdict.js";
import { parts } from "./words.js";

/** `undo()` takes it back; `open(next)` goes to the next slot, `other()` to choose one. */
export function doneView({ slot, check, given, until }, { undo, next, open, other }) {
  const said = make("p", { class: "said", role: "status" });
  const back = make("button", { type: "button" });
  pressable(back, undo, teller(said, say));
  const onward = make("button", { type: "button", class: "first", hidden: true, click: () => open(next()) });
  const another = make("button", { type: "button", click: other }, t("Another slot"));
  const element = make("section", { class: "done", "aria-labelledby": "done-title" },
    make("div", { class: "verdict" }, picture("right"), make("div", {},
      make("h2", { id: "done-title", tabindex: "-1" }, t("Done: {place}", { place: slot.slot })), make("p", {}, whatWords(check, given)))),
    given.reason && make("p", { class: "odd" }, t("Accepted by {person}: {reason}", { person: given.by, reason: given.reason })),
    make("p", { class: "caution" }, t("Close the guards before restart.")),
    make("div", { class: "buttons" }, onward, another, back), said);

  function count() {
    const left = Math.ceil((until - Date.now()) / 1000);
    back.hidden = left <= 0;
    say(back, t("Undo ({seconds} s)", { seconds: left }));
    if (left <= 0) clearInterval(clock);
  }
  /** The next slot, once the plan names one. */
  function show() {
    const slot = next();
    onward.hidden = !slot;
    if (slot) say(onward, t("Next slot: {place}", { place: `${slot.station} ${slot.slot}` }));
  }
  const clock = setInterval(count, 1000);
  count();
  return { element, show, stop: () => clearInterval(clock) };
}

function whatWords({ read }, { quantity, lot }) {
  const part = read.part ?? t("part not known");
  const what = quantity === null ? part : t("{parts} of {part}", { parts: parts(quantity), part });
  return lot ? t("{what}, lot {lot}", { what, lot }) : what;
}

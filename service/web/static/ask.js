// Asks a person: for a name (once, kept on this device), whether a supply is loaded, why a notice is closed.
// Each answer is a promise; null means the person thought better of it.

import { make } from "./dom.js";
import { t } from "./language.js";
import { ofKind } from "./words.js";

const NAME = "earlybell.name";

export function knownName() {
  try {
    return localStorage.getItem(NAME);
  } catch {
    return null; // storage is switched off: we ask each time
  }
}

function keepName(name) {
  try {
    localStorage.setItem(NAME, name);
  } catch {
    return; // asked again next time
  }
  window.dispatchEvent(new Event("named"));
}

/**
 * Open a dialog of `content` and give the form's values when `yes` is pressed. Unless `typing` is what it is for,
 * the focus is on its question: a phone's keyboard would hide it, and Enter must not answer by accident.
 */
export function open(title, content, yes, no, { typing = false } = {}) {
  return new Promise((resolve) => {
    const form = make("form", { method: "dialog" },
      make("h2", { id: "ask-title", tabindex: "-1", autofocus: !typing }, title),
      ...content,
      make("div", { class: "buttons" },
        make("button", { type: "submit", value: "yes", class: "first" }, yes),
        make("button", { type: "button", click: () => dialog.close() }, no)));
    const dialog = make("dialog", { "aria-labelledby": "ask-title" }, form);
    dialog.addEventListener("close", () => {
      resolve(dialog.returnValue === "yes" ? Object.fromEntries(new FormData(form)) : null);
      dialog.remove();
    });
    document.body.append(dialog);
    dialog.showModal();
  });
}

export function field(label, hint, attributes) {
  const input = make("input", { autocomplete: "off", ...attributes });
  return make("label", { class: "field" }, make("span", {}, label), input, hint && make("small", {}, hint));
}

/** Who presses the buttons: whoever signed in; else asked when it isn't known yet. */
export async function who() {
  return document.body.dataset.by ?? knownName() ?? changeName();
}

export async function changeName() {
  const given = await open(t("Who are you?"), [
    field(t("Name or badge"), t("The others see it beside what you take. Kept on this device only."), {
      name: "name", required: true, maxlength: 64, pattern: ".*\\S.*", value: knownName() ?? "",
      autocomplete: "nickname", autofocus: true,
    }),
  ], t("That's me"), t("Not now"), { typing: true });
  if (given === null) return null;
  keepName(given.name.trim());
  return given.name.trim();
}

/** Confirm a new supply: it ends the old count, so it is asked once. Gives `{quantity}`, perhaps null. */
export async function loaded({ station, slot, kind }) {
  const place = `${station} ${slot}`;
  const caution = document.getElementById("caution-text").content.cloneNode(true);
  const given = await open(ofKind(kind, {
    tape: t("A new reel is in {place}?", { place }), tray: t("A new tray is in {place}?", { place }),
    stick: t("A new stick is in {place}?", { place }), bulk: t("A new case is in {place}?", { place }),
    other: t("A new supply is in {place}?", { place }),
  }), [
    make("p", {}, t("The old count ends here and can't be brought back.")),
    field(t("How many parts are in it?"), t("Leave it empty when it is the usual number or you don't know."), {
      name: "quantity", inputmode: "numeric", pattern: "[0-9]{1,15}", maxlength: 15,
    }),
    caution,
  ], t("Yes, it is loaded"), t("Not yet"));
  return given && { quantity: given.quantity ? Number(given.quantity) : null };
}

/** A number of parts; null when the person thought better of it. */
export async function howMany(question) {
  const given = await open(question, [
    field(t("Parts"), t("A whole number; 0 when there is none."), {
      name: "quantity", inputmode: "numeric", pattern: "[0-9]{1,15}", maxlength: 15, required: true, autofocus: true,
    }),
  ], t("That many"), t("Not now"), { typing: true });
  return given && Number(given.quantity);
}

/** Confirm that a slot was emptied by hand. */
export async function takenOut({ station, slot, kind }) {
  const place = `${station} ${slot}`;
  return open(ofKind(kind, {
    tape: t("The reel was taken out of {place}?", { place }), tray: t("The tray was taken out of {place}?", { place }),
    stick: t("The stick was taken out of {place}?", { place }), bulk: t("The case was taken out of {place}?", { place }),
    other: t("The supply was taken out of {place}?", { place }),
  }), [
    make("p", {}, t("Its count ends and its warning closes. Nothing is known to be loaded then.")),
  ], t("Yes, it is out"), t("No"));
}

/** Which of `known` lines are mine. Gives their names, perhaps none. */
export async function whichLines(known, mine) {
  const given = await open(t("Which lines are yours?"), [
    make("p", {}, t("Kept on this device only.")),
    make("div", { class: "choices" }, ...known.map((line, index) =>
      make("label", {}, make("input", { type: "checkbox", name: `line${index}`, value: line, checked: mine.includes(line) }), line))),
  ], t("These are mine"), t("Not now"));
  return given && Object.values(given);
}

/** Kept in English and shown in each reader's language. */
const REASONS = {
  "Refilled already": t("Refilled already"), "Not needed any more": t("Not needed any more"),
  "The warning was wrong": t("The warning was wrong"), "Something else": t("Something else"),
};

/** Why a notice is closed. Gives the reason. */
export async function whyClosed() {
  const given = await open(t("Close it, because…"), [
    make("div", { class: "choices", role: "radiogroup", "aria-labelledby": "ask-title" },
      ...Object.entries(REASONS).map(([reason, words], index) =>
        make("label", {},
          make("input", { type: "radio", name: "reason", value: reason, checked: index === 0 }), words))),
    field(t("In your words"), t("It comes back only when it gets worse."), { name: "words", maxlength: 200 }),
  ], t("Close it"), t("Keep it"));
  return given && [given.reason, given.words?.trim()].filter(Boolean).join(": ");
}

/** Why a part is loaded that doesn't belong there. Gives the reason. */
export async function whyAllTheSame({ part, wanted }) {
  const given = await open(t("Load {part} all the same?", { part: part ?? t("part not known") }), [
    wanted && make("p", {}, t("{part} belongs there.", { part: wanted })),
    make("p", {}, t("Your name and your reason stay with it, and it is shown until the part is out.")),
    field(t("Why?"), null, { name: "reason", required: true, maxlength: 200, pattern: ".*\\S.*", autofocus: true }),
  ].filter(Boolean), t("Load it: I answer for it"), t("No"), { typing: true });
  return given && given.reason.trim();
}

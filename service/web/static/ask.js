// Asks a person: for a name (once, kept on this device), whether a supply is loaded, why a notice is closed.
// Each answer is a promise; null means the person thought better of it.

import { make } from "./dom.js";
import { thing } from "./words.js";

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
function open(title, content, yes, no, { typing = false } = {}) {
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

function field(label, hint, attributes) {
  const input = make("input", { autocomplete: "off", ...attributes });
  return make("label", { class: "field" }, make("span", {}, label), input, hint && make("small", {}, hint));
}

/** Who presses the buttons: whoever signed in; else asked when it isn't known yet. */
export async function who() {
  return document.body.dataset.by ?? knownName() ?? changeName();
}

export async function changeName() {
  const given = await open("Who are you?", [
    field("Name or badge", "The others see it beside what you take. Kept on this device only.", {
      name: "name", required: true, maxlength: 64, pattern: ".*\\S.*", value: knownName() ?? "",
      autocomplete: "nickname", autofocus: true,
    }),
  ], "That's me", "Not now", { typing: true });
  if (given === null) return null;
  keepName(given.name.trim());
  return given.name.trim();
}

/** Confirm a new supply: it ends the old count, so it is asked once. Gives `{quantity}`, perhaps null. */
export async function loaded({ station, slot, kind }) {
  const caution = document.getElementById("caution-text").content.cloneNode(true);
  const given = await open(`A new ${thing(kind)} is in ${station} ${slot}?`, [
    make("p", {}, "The old count ends here and can't be brought back."),
    field("How many parts are in it?", "Leave it empty when it is the usual number or you don't know.", {
      name: "quantity", inputmode: "numeric", pattern: "[0-9]{1,15}", maxlength: 15,
    }),
    caution,
  ], "Yes, it is loaded", "Not yet");
  return given && { quantity: given.quantity ? Number(given.quantity) : null };
}

/** A number of parts; null when the person thought better of it. */
export async function howMany(question) {
  const given = await open(question, [
    field("Parts", "A whole number; 0 when there is none.", {
      name: "quantity", inputmode: "numeric", pattern: "[0-9]{1,15}", maxlength: 15, required: true, autofocus: true,
    }),
  ], "That many", "Not now", { typing: true });
  return given && Number(given.quantity);
}

/** Confirm that a slot was emptied by hand. */
export async function takenOut({ station, slot, kind }) {
  return open(`The ${thing(kind)} was taken out of ${station} ${slot}?`, [
    make("p", {}, "Its count ends and its warning closes. Nothing is known to be loaded then."),
  ], "Yes, it is out", "No");
}

const REASONS = ["Refilled already", "Not needed any more", "The warning was wrong"];

/** Why a notice is closed. Gives the reason. */
export async function whyClosed() {
  const given = await open("Close it, because…", [
    make("div", { class: "choices", role: "radiogroup", "aria-labelledby": "ask-title" },
      ...[...REASONS, "Something else"].map((reason, index) =>
        make("label", {},
          make("input", { type: "radio", name: "reason", value: reason, checked: index === 0 }), reason))),
    field("In your words", "It comes back only when it gets worse.", { name: "words", maxlength: 200 }),
  ], "Close it", "Keep it");
  return given && [given.reason, given.words?.trim()].filter(Boolean).join(": ");
}

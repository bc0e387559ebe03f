// A box that hears a label: from a scanner that plays keyboard, from the camera where the browser can, or by hand.

import { make, say } from "./dom.js";
import { lens } from "./lens.js";
import { t } from "./language.js";
import { AltCode, Burst, control } from "./strokes.js";

/** Control characters can't be seen; in the field their signs stand for them. */
const SIGNS = { "\u0004": "␄", "\u001c": "␜", "\u001d": "␝", "\u001e": "␞", "\u001f": "␟" };
const CONTROLS = Object.fromEntries(Object.entries(SIGNS).map(([control, sign]) => [sign, control]));
const shown = (text) => text.replace(/[\u0004\u001c-\u001f]/g, (control) => SIGNS[control]);
const meant = (text) => text.replace(/[␄␜␝␞␟]/g, (sign) => CONTROLS[sign]);

const WITHOUT_END_MS = 300;

/**
 * `heard(text)` gets what was scanned or typed, with its control characters. It may return a promise: when that fails,
 * the box says why. Put `element` into the page; `stop()` ends camera and listening.
 */
export function scanner(heard, { label }) {
  const field = make("input", { type: "text", class: "code", autocomplete: "off", autocapitalize: "off",
    spellcheck: "false", enterkeyhint: "go", maxlength: "10000" });
  const said = make("p", { class: "said", role: "status" });
  const form = make("form", { class: "typed" },
    make("label", { class: "field" }, label, field), make("button", { type: "submit" }, t("Read")));
  const ends = new AbortController();
  const eye = lens((text) => hear(text), (words) => tell(words, true), ends.signal);
  const element = make("div", { class: "scan" }, form, eye, said);
  const typed = (event) => {
    event.preventDefault();
    hear(meant(field.value));
  };

  function tell(words, bad) {
    say(said, words);
    said.classList.toggle("bad", bad);
  }

  async function hear(text) {
    if (!text.trim()) return tell(t("Scan the label, or type what stands on it."), true);
    field.value = shown(text);
    if (document.activeElement === field) field.select();
    tell("", false);
    try {
      await heard(text);
    } catch (failure) {
      tell(failure.message, true);
    }
    return undefined;
  }

  form.addEventListener("submit", typed);
  listenIn(field, typed, ends.signal);
  listenAround(field, hear, ends.signal);
  return { element, stop: () => ends.abort() };
}

/**
 * In the field the browser writes letters by itself; what it would swallow or take for a shortcut is written here. Enter
 * sends the form, and so does Tab behind keys as fast as a scanner's.
 */
function listenIn(field, typed, signal) {
  const alt = new AltCode();
  const burst = new Burst();
  const write = (control) => field.setRangeText(shown(control), field.selectionStart, field.selectionEnd, "end");
  field.addEventListener("keydown", (event) => {
    const sign = control(event);
    if (sign) write(sign);
    if (sign || alt.down(event)) event.preventDefault();
    if (burst.down(event, event.timeStamp).text && event.key === "Tab") typed(event);
  }, { signal });
  field.addEventListener("keyup", (event) => {
    const sign = alt.up(event);
    if (sign) write(sign);
  }, { signal });
  field.addEventListener("input", () => {
    const text = shown(field.value);
    if (text !== field.value) field.value = text;
  }, { signal });
}

/** While nothing that takes text has the focus, keys as fast as a scanner's are one, wherever the focus is. */
function listenAround(field, hear, signal) {
  const burst = new Burst();
  let waiting = 0;
  const giveUp = () => {
    if (burst.runs) field.value = shown(burst.take()); // a scanner that ends with nothing: a person ends it
  };
  document.addEventListener("keydown", (event) => {
    if (takesText(event.target) || document.querySelector("dialog[open]")) return;
    const { text, ours } = burst.down(event, event.timeStamp);
    if (text || ours) {
      event.preventDefault(); // Enter would press the button that has the focus
      event.stopPropagation();
    }
    clearTimeout(waiting);
    if (text) hear(text);
    else if (burst.runs) waiting = setTimeout(giveUp, WITHOUT_END_MS);
  }, { capture: true, signal });
  document.addEventListener("keyup", (event) => {
    if (!takesText(event.target)) burst.up(event);
    if (burst.runs && event.key === " ") event.preventDefault();
  }, { capture: true, signal });
  signal.addEventListener("abort", () => clearTimeout(waiting));
}

const WRITTEN_IN = "textarea, select, [contenteditable], input:not([type=radio], [type=checkbox], [type=button])";
const takesText = (target) => target instanceof Element && target.matches(WRITTEN_IN);

// What a scanner that plays keyboard types: which strokes mean a control character, and whether keys came too fast
// for fingers. It knows events, no page.

export const GS = "\u001d";
const RS = "\u001e";
const US = "\u001f";
const FS = "\u001c";
const EOT = "\u0004";

/** With Ctrl, by the place of the key: scanners type as on an American keyboard, whatever the computer's is. */
const BY_PLACE = { BracketRight: GS, Digit6: RS, Minus: US, Backslash: FS, KeyD: EOT };
const BY_KEY = { "]": GS, "^": RS, "_": US, "\\": FS, d: EOT, D: EOT };
/** What some scanners send for GS instead (from memory: makers differ). */
const BY_FUNCTION_KEY = { F8: GS };

/** Longest pause between two keys of a scanner, also one by radio; people who type fast take twice as long (from memory). */
const PAUSE_MS = 60;
/** Fewer characters than this may be anything. */
const LEAST = 4;

/** The control character that a stroke stands for, or "". */
export function control(event) {
  if (event.ctrlKey && !event.altKey && !event.metaKey) return BY_KEY[event.key] ?? BY_PLACE[event.code] ?? "";
  return BY_FUNCTION_KEY[event.key] ?? (isControl(event.key) ? event.key : "");
}

const isControl = (key) => key.length === 1 && Object.values(BY_PLACE).includes(key);

/** Alt held down and digits typed, as Windows writes characters that no key has; when Alt goes up the number is over. */
export class AltCode {
  #digits = "";

  /** Whether the stroke belongs to such a number. */
  down({ altKey, code, key }) {
    const digit = altKey ? digitOf(code, key) : null;
    if (digit === null) return false;
    this.#digits += digit;
    return true;
  }

  /** The character, where the number is that of a separator; "" else. */
  up({ altKey }) {
    if (altKey || this.#digits === "") return "";
    const character = String.fromCharCode(Number(this.#digits));
    this.#digits = "";
    return isControl(character) ? character : "";
  }
}

/** With the number lock off the keys of the number pad bear other names; their places stay. */
function digitOf(code, key) {
  const found = /^(?:Numpad|Digit)([0-9])$/.exec(code ?? "");
  return found ? found[1] : /^[0-9]$/.test(key) ? key : null;
}

/** Keys that come one after the other too fast for fingers, ended by Enter or Tab. */
export class Burst {
  #text = "";
  #last = -Infinity;
  #alt = new AltCode();

  /** Whether what came so far can only be a scanner's. */
  get runs() {
    return this.#text.length >= LEAST;
  }

  /** What has come so far; forgets it. */
  take() {
    const text = this.#text;
    this.#text = "";
    return text;
  }

  /**
   * A stroke at a time in ms. `{text}`: a whole scan; `{ours: true}`: it belongs to one, the page shouldn't act on it;
   * `{}`: it is nobody's.
   */
  down(event, at) {
    if (SILENT[event.key]) return {};
    if (at - this.#last > PAUSE_MS) this.#text = "";
    this.#last = at;
    if (event.key === "Enter" || event.key === "Tab") return this.runs ? { text: this.take() } : this.#forget();
    const sign = this.#alt.down(event) ? "" : (control(event) || typed(event));
    if (sign === null) return this.#forget();
    this.#text += sign;
    return this.runs || sign === GS ? { ours: true } : {};
  }

  up(event) {
    this.#text += this.#alt.up(event);
  }

  #forget() {
    this.#text = "";
    return {};
  }
}

/** Held with another key, or said of a key that the browser can't name. */
const SILENT = {
  Shift: true, Control: true, Alt: true, AltGraph: true, Meta: true, CapsLock: true, NumLock: true, Dead: true,
  Unidentified: true, Process: true,
};

/** The character that the stroke writes; null where it writes none. AltGr counts as Ctrl and Alt on Windows. */
function typed({ key, ctrlKey, altKey, metaKey }) {
  const shortcut = metaKey || ctrlKey !== altKey;
  return [...key].length === 1 && !shortcut ? key : null;
}

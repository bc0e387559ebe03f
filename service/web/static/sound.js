// A tone when something begins to call for somebody, and another when something is empty. Off until a person
// wants it on this device; made here, so that nothing is fetched. It never says what the page doesn't show.

import { make, say } from "./dom.js";
import { keep, kept, onKept } from "./kept.js";
import { t } from "./language.js";
import { isQuestion } from "./state.js";

const GATHER_MS = 250;
const PAUSE_MS = 2000;
const LENGTH_S = 0.18;
const LOUDNESS = 0.25;

/** Pitches in Hz and when each begins: two that rise, or four that fall and fall again. */
const TONES = {
  call: [[660, 0], [880, 0.2]],
  empty: [[880, 0], [587, 0.2], [880, 0.5], [587, 0.7]],
};

let context = null;
let waiting = null;
let timer = null;
let quietUntil = 0;

const isOn = () => kept("sound", false) === true;
const canSound = () => context?.state === "running";

/** The switch. Browsers stay silent until somebody touches the page, so the words beside it say so. */
export function soundSwitch() {
  if (!globalThis.AudioContext) return make("span");
  const button = make("button", { type: "button", class: "sound", click: turn }, t("Sound"));
  const note = make("span", { class: "note", role: "status" });

  function show() {
    button.setAttribute("aria-pressed", String(isOn()));
    say(note, isOn() && !canSound() ? t("Silent until you press something on this page: browsers want that.") : "");
  }

  async function turn() {
    keep("sound", !isOn());
    if (isOn()) {
      await wake();
      play("call");
    }
    show();
  }

  for (const gesture of ["pointerdown", "keydown"]) {
    window.addEventListener(gesture, async () => { if (isOn() && !canSound()) { await wake(); show(); } });
  }
  onKept(["sound"], show);
  show();
  return make("span", { class: "sounding" }, button, note);
}

async function wake() {
  context ??= new AudioContext();
  await context.resume();
}

/** One tone for all that comes together: the worst of it, and the next two seconds later at the earliest. */
export function ring(changes) {
  const tones = changes.map(toneOf).filter(Boolean);
  if (!isOn() || tones.length === 0) return;
  waiting = waiting === "empty" || tones.includes("empty") ? "empty" : "call";
  timer ??= setTimeout(() => {
    play(waiting);
    waiting = timer = null;
  }, Math.max(GATHER_MS, quietUntil - performance.now()));
}

/** What a changed notice sounds like; null where it doesn't begin to call, or isn't worse. */
function toneOf({ notice, before, changed }) {
  if (notice.state !== "open" || isQuestion(notice)) return null;
  const again = (notice.reminded ?? 0) > (before?.reminded ?? 0);
  const begins = changed && (before?.state !== "open" || before.level !== notice.level);
  if (!begins && !again) return null;
  return notice.kind === "supply" && notice.level === "empty" ? "empty" : "call";
}

function play(tone) {
  if (!canSound()) return;
  quietUntil = performance.now() + PAUSE_MS;
  for (const [pitch, at] of TONES[tone]) note(pitch, context.currentTime + at);
  window.dispatchEvent(new CustomEvent("rang", { detail: tone }));
}

/** One note, faded in and out so that it doesn't click. */
function note(pitch, at) {
  const source = new OscillatorNode(context, { frequency: pitch, type: "triangle" });
  const volume = new GainNode(context, { gain: 0 });
  volume.gain.setValueAtTime(0, at);
  volume.gain.linearRampToValueAtTime(LOUDNESS, at + 0.02);
  volume.gain.linearRampToValueAtTime(0, at + LENGTH_S);
  source.connect(volume).connect(context.destination);
  source.start(at);
  source.stop(at + LENGTH_S);
}

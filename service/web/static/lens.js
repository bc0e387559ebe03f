// Reads codes with the camera, where the browser has both; it says in plain words why it can't.

import { make } from "./dom.js";
import { t } from "./language.js";
import { isPiece, oneOf } from "./codes.js";

const FORMATS = ["data_matrix", "qr_code", "code_128", "code_39", "pdf417", "aztec", "itf", "codabar"];
const LOOK_EVERY_MS = 120;
const LOOKS_FOR_THE_REST = 5;

/**
 * A button that opens the camera, and its picture. `found(text)` gets one code and the camera is closed again;
 * `tell(words)` gets what is wrong; `signal` ends it. Nothing shows where the browser can't.
 */
export function lens(found, tell, signal) {
  const video = make("video", { playsinline: true, muted: true, "aria-label": t("What the camera sees") });
  video.muted = true;
  const open = make("button", { type: "button" }, t("Use the camera"));
  const shut = make("button", { type: "button", click: () => { stop(); open.focus(); } }, t("Close the camera"));
  const view = make("div", { class: "view", hidden: true }, video,
    make("p", { class: "note" }, t("Hold the label so that its code fills the picture.")), shut);
  const element = make("div", { class: "lens", hidden: true }, open, view);
  let stream = null;
  let turn = 0;

  async function start() {
    const mine = ++turn;
    tell("");
    try {
      const camera = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" }, audio: false });
      if (mine !== turn) return close(camera);
      stream = camera;
      video.srcObject = camera;
      show(true);
      await video.play();
      await look(mine, new globalThis.BarcodeDetector({ formats: await formats() }));
    } catch (failure) {
      if (mine !== turn) return undefined;
      stop();
      tell(why(failure));
    }
    return undefined;
  }

  /** Where a code is only a piece of its label, the others get a moment to be seen as well. */
  async function look(mine, detector) {
    const seen = new Map();
    for (let left = LOOKS_FOR_THE_REST; mine === turn; ) {
      for (const code of await detector.detect(video)) if (code.rawValue) seen.set(code.rawValue, code);
      if (mine !== turn) return;
      const codes = [...seen.values()];
      if (codes.length && (left === 0 || !codes.every(isPiece))) {
        const text = oneOf(codes, video.videoWidth, video.videoHeight);
        stop();
        navigator.vibrate?.(60);
        found(text);
        return;
      }
      if (codes.length) left -= 1;
      await new Promise((resolve) => setTimeout(resolve, LOOK_EVERY_MS));
    }
  }

  function stop() {
    turn += 1;
    if (stream) close(stream);
    stream = null;
    video.srcObject = null;
    show(false);
  }

  function show(is) {
    view.hidden = !is;
    open.hidden = is;
    if (is) shut.focus();
  }

  open.addEventListener("click", start);
  document.addEventListener("visibilitychange", () => document.hidden && stop(), { signal });
  signal.addEventListener("abort", stop);
  formats().then((known) => { element.hidden = known.length === 0; });
  return element;
}

const close = (camera) => camera.getTracks().forEach((track) => track.stop());

/** What this browser reads of what labels bear; nothing where it has no detector or no camera. */
async function formats() {
  if (!("BarcodeDetector" in globalThis) || !navigator.mediaDevices?.getUserMedia) return [];
  const known = await globalThis.BarcodeDetector.getSupportedFormats().catch(() => []);
  return FORMATS.filter((each) => known.includes(each));
}

function why({ name }) {
  if (name === "NotAllowedError" || name === "SecurityError") {
    return t("The camera isn't allowed here. Allow it for this site in the browser, use a scanner, or type what stands on the label.");
  }
  if (name === "NotFoundError" || name === "OverconstrainedError") return t("No camera was found. Use a scanner, or type what stands on the label.");
  if (name === "NotReadableError" || name === "AbortError") return t("Another program has the camera. Close it there, or type what stands on the label.");
  return t("The camera can't read codes here. Use a scanner, or type what stands on the label.");
}

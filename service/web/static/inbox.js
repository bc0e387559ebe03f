// Which notices are shown: all, those of my lines, or mine. Chosen and remembered on this device.

import { changeName, knownName, whichLines } from "./ask.js";
import { make, say } from "./dom.js";
import { keep, kept, onKept } from "./kept.js";
import { number, t } from "./language.js";
import { lines } from "./state.js";

const WHOSE = ["all", "lines", "mine"];
const whose = () => (WHOSE.includes(kept("whose")) ? kept("whose") : "all");

function myLines() {
  const chosen = kept("lines", []);
  return Array.isArray(chosen) ? chosen : [];
}

/** Who uses this device: whoever signed in, or said so. */
export const me = () => document.body.dataset.by ?? knownName();

/** Names are typed by hand: `mira` is Mira, and so is `Mira (link to shift-chat)`, who pressed a link of hers. */
function isMe(name) {
  const [own, other] = [me(), name].map((each) => (each ?? "").trim().toLowerCase());
  return own !== "" && (other === own || other.startsWith(`${own} (`));
}

/** Taken by me. */
export const isMine = (notice) => isMe(notice.taken_by);

const FITS = {
  all: () => true,
  lines: (notice) => !notice.line || myLines().includes(notice.line),
  mine: (notice) => isMine(notice) || (!notice.taken_by && (notice.hears ?? []).some(isMe)),
};

/** Whether the notice is among those that the person of this device wants to see. */
export const fits = (notice) => FITS[whose()](notice);

/** The choice, with how many there are of each. `changed()` is called when it was made anew. */
export function inbox(changed) {
  const names = { all: t("All"), lines: t("My lines"), mine: t("Mine") };
  const counts = {};
  const inputs = WHOSE.map((value) => make("input", { type: "radio", name: "whose", value, change: () => choose(value) }));
  const labels = inputs.map((input) => {
    counts[input.value] = make("b");
    return make("label", {}, input, make("span", {}, names[input.value], " ", counts[input.value]));
  });
  const which = make("button", { type: "button", class: "which", click: () => (whose() === "mine" ? changeName() : chooseLines()) });
  const choice = make("fieldset", { class: "whose" }, make("legend", { class: "unseen" }, t("Whose notices")), ...labels);
  const element = make("div", { class: "inbox" }, choice, which);

  async function choose(value) {
    keep("whose", value);
    changed();
    if (value === "lines" && myLines().length === 0) await chooseLines();
  }

  async function chooseLines() {
    const chosen = await whichLines([...new Set([...lines.keys(), ...myLines()])].sort(), myLines());
    if (chosen === null) return;
    keep("lines", chosen);
    changed();
  }

  function show(notices) {
    const hasLines = lines.size > 1 || whose() === "lines" || myLines().length > 0;
    for (const input of inputs) {
      input.checked = input.value === whose();
      say(counts[input.value], number(notices.filter(FITS[input.value]).length));
    }
    labels[1].hidden = !hasLines;
    which.hidden = whose() === "all" || (whose() === "mine" && me() !== null);
    say(which, whichWords());
  }

  onKept(["whose", "lines"], changed);
  window.addEventListener("named", changed);
  return { element, show };
}

function whichWords() {
  if (whose() === "mine") return t("Say who you are");
  return myLines().length ? t("Lines: {lines}", { lines: myLines().join(", ") }) : t("Choose my lines");
}

/** Why nothing is shown, where that is because of the choice; empty where it isn't. */
export function whyNothing() {
  if (whose() === "mine" && !me()) return t("Nobody has said who they are on this device, so nothing can be yours.");
  if (whose() === "mine") return t("Nothing is yours.");
  if (whose() === "lines" && myLines().length === 0) return t("No line is chosen as yours on this device.");
  return "";
}

// What every live page has around its content: how fresh it is, who you are, what is announced, the title.

import { changeName, knownName } from "./ask.js";
import { make, say } from "./dom.js";
import { announcement } from "./notices.js";
import { number, age } from "./words.js";
import "./switch.js";

const byId = (id) => document.getElementById(id);
const title = document.title;

/** Tell a screen reader of changed notices, and count in the title what is still open. */
export function tellOf(changes, open) {
  const words = changes.map(announcement).filter(Boolean);
  const heardBefore = byId("freshness").dataset.state !== "starting";
  if (words.length && heardBefore) say(byId("announce"), words.join(". "));
  document.title = open ? `(${number(open)}) ${title}` : title;
}

/** How fresh everything is. Only a change of state is announced; the age just counts. */
export function condition({ state: now, age: seconds }) {
  const own = byId("freshness");
  if (now !== "lost" && seconds === null) return;
  const old = seconds === null ? "Nothing was heard yet" : `What you see is ${age(seconds)} old`;
  say(own.querySelector(".words"), {
    live: "Live",
    polling: "Fetched every 10 s",
    lost: `Not connected. ${old}. Trying again.`,
  }[now]);
  if (own.dataset.state === now) return;
  if (now === "lost") say(byId("announce"), "Not connected. What you see gets old.");
  else if (own.dataset.state === "lost") say(byId("announce"), "Connected again.");
  own.dataset.state = now;
  document.body.dataset.connection = now;
}

/** A function that asks for one drawing a frame, however often it is called. */
export function onceAFrame(draw) {
  let drawing = false;
  return () => {
    if (drawing) return;
    drawing = true;
    requestAnimationFrame(() => {
      drawing = false;
      draw();
    });
  };
}

function showYou() {
  const name = knownName();
  const change = make("button", { type: "button", click: async () => { await changeName(); showYou(); } },
    name ? "That isn't me" : "Say who you are");
  byId("you").replaceChildren(name ? `You are ${name}.` : "Nobody has said who they are on this device.", " ", change);
}

if (document.body.dataset.by === undefined) {
  showYou();
  window.addEventListener("storage", showYou);
  window.addEventListener("named", showYou);
}
if (location.hash.startsWith("#key=")) history.replaceState(null, "", location.pathname); // not needed: signed in

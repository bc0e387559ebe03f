// What every live page has around its content: how fresh it is, who you are, what is announced, the title.

import { changeName, knownName } from "./ask.js";
import { make, say } from "./dom.js";
import { t } from "./language.js";
import { announcement } from "./notices.js";
import { number, age } from "./words.js";
import "./switch.js";

const byId = (id) => document.getElementById(id);
const title = document.title;

/**
 * Tell a screen reader of changed notices, and count in the title what is still open. What is empty interrupts,
 * all else waits for its turn.
 */
export function tellOf(changes, open) {
  if (byId("freshness").dataset.state !== "starting") {
    const isAlarm = ({ notice }) => notice.kind === "supply" && notice.level === "empty" && notice.state === "open";
    const words = (these) => these.map(announcement).filter(Boolean).join(". ");
    const [alarms, others] = [words(changes.filter(isAlarm)), words(changes.filter((each) => !isAlarm(each)))];
    if (alarms) say(byId("alarm"), alarms);
    if (others) say(byId("announce"), others);
  }
  document.title = open ? `(${number(open)}) ${title}` : title;
}

/** How fresh everything is. Only a change of state is announced; the age just counts. */
export function condition({ state: now, age: seconds }) {
  const own = byId("freshness");
  if (now !== "lost" && seconds === null) return;
  const old = seconds === null ? t("Nothing was heard yet.") : t("What you see is {age} old.", { age: age(seconds) });
  say(own.querySelector(".words"), {
    live: t("Live"),
    polling: t("Fetched every 10 s"),
    lost: [t("Not connected."), old, t("Trying again."), unheard()].join(" "),
  }[now]);
  if (own.dataset.state === now) return;
  if (now === "lost") say(byId("announce"), t("Not connected. What you see gets old."));
  else if (own.dataset.state === "lost") say(byId("announce"), t("Connected again."));
  own.dataset.state = now;
  document.body.dataset.connection = now;
}

/** Nothing is kept for later: a press an hour late could take what another is on. */
const unheard = () => (document.body.dataset.role === "read" ? "" : t("What you press now isn't stored, nor kept for later."));

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
    name ? t("That isn't me") : t("Say who you are"));
  byId("you").replaceChildren(name ? t("You are {name}.", { name }) : t("Nobody has said who they are on this device."), " ", change);
}

if (document.body.dataset.by === undefined) {
  showYou();
  window.addEventListener("storage", showYou);
  window.addEventListener("named", showYou);
}
if (location.hash.startsWith("#key=")) history.replaceState(null, "", location.pathname); // not needed: signed in

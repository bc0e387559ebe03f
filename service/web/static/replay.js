// The bar of a page that shows a recording: asks each second which moment it is, and changes the tempo.

import { get, post } from "./api.js";
import { say } from "./dom.js";
import { t } from "./language.js";
import { age, clockWithSeconds, day } from "./words.js";

const EVERY_MS = 1000;
const DAY_MS = 86_400_000;
const byId = (id) => document.getElementById(id);
const bar = byId("replay");
let now = null;
let chosen = false;

function show(replay) {
  now = replay;
  bar.dataset.state = replay.state;
  say(byId("replay-at"), `${day(replay.at)} ${clockWithSeconds(replay.at)}`);
  byId("replay-at").dateTime = replay.at;
  byId("replay-share").value = replay.share;
  say(byId("replay-left"), left(replay));
  say(byId("replay-pause"), replay.paused ? t("Go on") : t("Pause"));
  for (const each of byId("replay-tempo").elements) each.disabled = replay.state === "ended";
  if (!chosen) showSpeed(replay.speed);
}

function left(replay) {
  const percent = `${Math.floor(replay.share * 100)} %`;
  if (replay.state === "ended") return t("The recording is over. This is how it ended.");
  if (replay.paused) return t("{share}, paused", { share: percent });
  if (replay.ends_in_seconds === null) return percent;
  return t("{share}, {time} left", { share: percent, time: age(replay.ends_in_seconds) });
}

/** A speed that was asked for elsewhere has its place in the list too. */
function showSpeed(speed) {
  const list = byId("replay-speed");
  if (![...list.options].some((each) => each.value === String(speed))) list.add(new Option(`${speed} ×`, speed), 0);
  list.value = String(speed);
}

async function look() {
  try {
    show(await get("/replay"));
  } catch (failure) {
    say(byId("replay-left"), failure.message);
  }
  setTimeout(look, EVERY_MS);
}

async function steer(wanted) {
  try {
    show(await post("/replay", wanted));
    say(byId("replay-said"), "");
  } catch (failure) {
    say(byId("replay-said"), failure.message);
  }
}

/** The next time that the plant's clocks show this, also where they leap on the way. */
function momentOf(text) {
  const ms = (words) => words.split(":").map(Number).reduce((sum, part) => sum * 60 + part, 0) * 1000;
  const wanted = ms(text.length === 5 ? `${text}:00` : text);
  const within = (time) => (time % DAY_MS + DAY_MS) % DAY_MS;
  const near = Date.parse(now.at) + within(wanted - ms(clockWithSeconds(now.at)));
  const leapt = within(wanted - ms(clockWithSeconds(near)) + DAY_MS / 2) - DAY_MS / 2;
  return new Date(near + leapt).toISOString();
}

byId("replay-pause").addEventListener("click", () => steer({ paused: !now?.paused }));
byId("replay-speed").addEventListener("focus", () => { chosen = true; });
byId("replay-speed").addEventListener("blur", () => { chosen = false; });
byId("replay-speed").addEventListener("change", ({ target }) => {
  steer({ speed: target.value === "max" ? "max" : Number(target.value) });
});
byId("replay-tempo").addEventListener("submit", (event) => {
  event.preventDefault();
  if (now && byId("replay-to").value) steer({ at: momentOf(byId("replay-to").value) });
});
look();

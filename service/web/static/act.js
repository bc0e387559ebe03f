// What the buttons do: one POST each, and a sentence about how it went.

import { path, post } from "./api.js";
import { howMany, loaded, takenOut, who, whyClosed } from "./ask.js";
import { t } from "./language.js";
import { clock, closedWords, panels } from "./words.js";

export const QUIET_PANELS = 5;
export const QUIET_MINUTES = 30;

/** A button that can't be pressed twice while it works. `act` gives the sentence for `tell`, or null. */
export function pressable(button, act, tell) {
  button.addEventListener("click", async () => {
    if (button.getAttribute("aria-busy") === "true") return;
    button.setAttribute("aria-busy", "true");
    try {
      tell(await act(), false);
    } catch (failure) {
      tell(failure.message, true);
    } finally {
      button.removeAttribute("aria-busy");
    }
  });
}

/** Writes the sentence of an act beside its buttons; null: the person thought better of it. */
export function teller(element, say) {
  return (text, bad) => {
    if (text === null) return;
    say(element, text);
    element.classList.toggle("bad", bad);
  };
}

/** Each gives the sentence that says it; `keep` is handed the notice as it is afterwards. */
export async function take(notice, keep) {
  const by = await who();
  return by && settle(notice, "take", { by }, keep, t("You are on it."));
}

export async function release(notice, keep) {
  const by = await who();
  return by && settle(notice, "release", { by }, keep, t("Given back: it calls for somebody again."));
}

export async function quiet(notice, keep) {
  const by = await who();
  const supply = notice.kind === "supply"; // the others know no panels
  const bound = supply
    ? { panels: QUIET_PANELS }
    : { until: new Date(Date.now() + QUIET_MINUTES * 60_000).toISOString() };
  const time = supply ? panels(QUIET_PANELS) : t("{n} minutes", { n: QUIET_MINUTES });
  const said = t("Quiet for {time}, unless it gets worse.", { time });
  return by && settle(notice, "quiet", { by, ...bound }, keep, said);
}

export async function close(notice, keep) {
  const by = await who();
  const reason = by && (await whyClosed());
  return reason && settle(notice, "close", { by, reason }, keep, t("Closed."));
}

async function settle(notice, verb, body, keep, said) {
  try {
    keep(await post(path("notices", notice.id, verb), body));
    return said;
  } catch (failure) {
    if (failure.status !== 409) throw failure;
    keep(failure.body);
    throw new Error(whoWasFirst(failure.body), { cause: failure });
  }
}

/** Why a press came too late, from the notice as it is. */
function whoWasFirst(notice) {
  const { state, taken_by: first, changed_at: at } = notice;
  if (state === "closed") return t("Too late. {how}.", { how: closedWords(notice) });
  return t("{person} was first, at {time}.", { person: first ?? t("Someone"), time: clock(at) });
}

const ANEW = t("Thank you: counted from the new one.");

/** "Loaded a new one" where hands may slip: asked once, with the caution in view. */
export async function load(slot, keep) {
  const by = await who();
  const answer = by && (await loaded(slot));
  if (!answer) return null;
  return supply(slot, { change: "loaded", by, ...(answer.quantity === null ? {} : answer) }, keep, ANEW);
}

/** The same in one tap, with the usual quantity. */
export async function loadUsual(slot, keep) {
  const by = await who();
  return by && supply(slot, { change: "loaded", by }, keep, `${ANEW} ${t("If that is wrong, say how many are left.")}`);
}

export async function loadQuantity(slot, keep) {
  const by = await who();
  const quantity = by && (await howMany(t("How many parts were loaded in {place}?", { place: placeOf(slot) })));
  return isNumber(quantity) ? supply(slot, { change: "loaded", quantity, by }, keep, ANEW) : null;
}

export async function counted(slot, keep) {
  const by = await who();
  const quantity = by && (await howMany(t("How many parts are left in {place}?", { place: placeOf(slot) })));
  return isNumber(quantity) ? supply(slot, { change: "counted", quantity, by }, keep, t("Thank you: counted from yours.")) : null;
}

export async function remove(slot, keep) {
  const by = await who();
  const sure = by && (await takenOut(slot));
  return sure ? supply(slot, { change: "removed", by }, keep, t("Nothing is loaded now.")) : null;
}

const placeOf = ({ station, slot }) => `${station} ${slot}`;
const isNumber = (quantity) => typeof quantity === "number";

async function supply({ line, station, slot }, body, keep, said) {
  keep(await post(path("lines", line, "stations", station, "slots", slot, "supply"), body));
  return said;
}

// What the buttons do: one POST each, and a sentence about how it went.

import { path, post } from "./api.js";
import { loaded, who, whyClosed } from "./ask.js";
import { count } from "./words.js";

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

/** Each gives the sentence that says it; `keep` is handed the notice as it is afterwards. */
export async function take(notice, keep) {
  const by = await who();
  return by && settle(notice, "take", { by }, keep, "You are on it.");
}

export async function quiet(notice, keep) {
  const by = await who();
  const supply = notice.kind === "supply"; // the others know no panels
  const bound = supply
    ? { panels: QUIET_PANELS }
    : { until: new Date(Date.now() + QUIET_MINUTES * 60_000).toISOString() };
  const said = `Quiet for ${supply ? count(QUIET_PANELS, "panel") : `${QUIET_MINUTES} minutes`}, unless it gets worse.`;
  return by && settle(notice, "quiet", { by, ...bound }, keep, said);
}

export async function close(notice, keep) {
  const by = await who();
  const reason = by && (await whyClosed());
  return reason && settle(notice, "close", { by, reason }, keep, "Closed.");
}

async function settle(notice, verb, body, keep, said) {
  try {
    keep(await post(path("notices", notice.id, verb), body));
    return said;
  } catch (failure) {
    if (failure.status !== 409) throw failure;
    keep(failure.body);
    const { state, taken_by: first } = failure.body;
    const told = state === "closed" ? "It was closed meanwhile." : `${first ?? "Someone"} was first.`;
    throw new Error(told, { cause: failure });
  }
}

/** "Loaded a new one", for a slot or for the slot of a notice. */
export async function load(slot, keep) {
  const by = await who();
  const answer = by && (await loaded(slot));
  if (!answer) return null;
  const body = { change: "loaded", by, ...(answer.quantity === null ? {} : { quantity: answer.quantity }) };
  keep(await post(path("lines", slot.line, "stations", slot.station, "slots", slot.slot, "supply"), body));
  return "Thank you: counted from the new one.";
}

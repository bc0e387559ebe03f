// The handover is what was true at a moment: this says how old it is, copies it as text and prints it.

import { say } from "./dom.js";
import { t } from "./language.js";
import { age } from "./words.js";
import "./switch.js";

const OLD_S = 120;
const byId = (id) => document.getElementById(id);
const openedAt = Date.now();

/** The text, in the same words and of the same moment as far as nothing changed since. */
async function asText() {
  const answer = await fetch(`/api/v1/handover${location.search}`, {
    headers: { accept: "text/plain" },
    signal: AbortSignal.timeout(8000),
  });
  if (!answer.ok) throw new Error(t("The service answered {status}.", { status: answer.status }));
  return answer.text();
}

async function copy() {
  let text;
  try {
    text = await asText();
  } catch {
    say(byId("said"), t("No connection: nothing was copied."));
    return;
  }
  try {
    await navigator.clipboard.writeText(text);
    say(byId("said"), t("Copied: paste it where you write."));
  } catch {
    offer(text); // browsers lend their clipboard to encrypted pages only
  }
}

function offer(text) {
  byId("text").hidden = false;
  byId("text").value = text;
  byId("text").select();
  say(byId("said"), t("Here it is, marked: copy it from the field."));
}

function showAge() {
  const seconds = (Date.now() - openedAt) / 1000;
  byId("old").hidden = seconds < OLD_S;
  if (seconds >= OLD_S) say(byId("old"), t("This was true {age} ago. Show it as it is now.", { age: age(seconds) }));
}

byId("tools").hidden = false;
byId("copy").addEventListener("click", copy);
byId("print").addEventListener("click", () => window.print());
setInterval(showAge, 5000);
document.addEventListener("visibilitychange", showAge);

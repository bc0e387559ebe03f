// One notice, opened from a message by somebody who hasn't signed in. The key stands behind the # of the address,
// which no server, log or referrer sees; it goes from there into this tab's memory. Nothing is done before a press.

import { get, path, useKey } from "./api.js";
import { say } from "./dom.js";
import { t } from "./language.js";
import { showNotices } from "./notices.js";
import "./switch.js";

const LOOK_AGAIN_MS = 10_000;
const notice = document.body.dataset.link;
const KEPT = `earlybell.key.${notice}`;
const byId = (id) => document.getElementById(id);

function ownKey() {
  const given = new URLSearchParams(location.hash.slice(1)).get("key");
  try {
    if (given) sessionStorage.setItem(KEPT, given);
    return given ?? sessionStorage.getItem(KEPT);
  } catch {
    return given; // storage is switched off: it holds until the page is left
  }
}

function show(one) {
  showNotices(byId("notices"), [one], { notice: show, slot: () => null });
  byId("calm").hidden = true;
  byId("caution").hidden = false;
}

async function look() {
  try {
    show(await get(path("notices", notice)));
  } catch (failure) {
    if (failure.status === 0 || failure.status >= 500) return; // the next look may find it
    say(byId("calm"), t("This link doesn't open the notice any more. Sign in to see it."));
    byId("calm").hidden = false;
    byId("notices").replaceChildren();
  }
}

const key = ownKey();
if (key) {
  history.replaceState(null, "", location.pathname);
  useKey(key);
  look();
  setInterval(() => document.hidden || look(), LOOK_AGAIN_MS);
} else {
  location.replace(`/sign-in?next=${encodeURIComponent(location.pathname)}`);
}

// What fed a slot lately: its last stays, and the way to all of them.

import { get } from "./api.js";
import { make } from "./dom.js";
import { t } from "./language.js";
import { stayRow } from "./stays.js";

const LAST = 3;
let shownFor = null;

/** Into `element`; asked again only once what is loaded there is another. */
export async function showFed(element, place, loaded) {
  const now = [loaded.lot, loaded.supply, loaded.part, loaded.assumed].join("\n");
  if (now === shownFor) return;
  shownFor = now;
  const query = new URLSearchParams(place);
  const found = await get(`/stays?${query}&limit=${LAST}`).catch(() => null);
  if (found === null) {
    shownFor = null;
    return;
  }
  element.replaceChildren(
    found.length > 0 ? make("ul", { class: "fed-here" }, ...found.map((stay) => stayRow(stay, { here: true })))
      : make("p", { class: "calm" }, t("Nobody has said anything of a supply here yet.")),
    make("p", { class: "buttons" }, make("a", { class: "button", href: `/lots?${query}` }, t("All that was here"))));
}

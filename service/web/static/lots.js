// Which panels got a lot, and which lots were in a panel: searched by lot, part, supply or order, or for one slot.

import { Failure, get, post } from "./api.js";
import { make, say } from "./dom.js";
import { t } from "./language.js";
import { scanner } from "./scan.js";
import { ofWhat, panelWords, spaced, stayRow } from "./stays.js";
import "./shell.js";

const PAGE = 50;
const byId = (id) => document.getElementById(id);
const PLACE = ["line", "station", "slot"];
let asked = null;
let last = null;

const box = scanner((text) => search(text), { label: t("Lot, part, supply or order") });
const field = box.element.querySelector("input");
say(box.element.querySelector("button[type=submit]"), t("Search"));
byId("search").replaceWith(box.element);

/** What a label says, or the text itself. */
async function wordOf(text) {
  try {
    const { lot, supply, part } = await post("/labels/read", { text });
    return lot ?? supply ?? part ?? text.trim();
  } catch (failure) {
    if (failure instanceof Failure && [403, 404, 422].includes(failure.status)) return text.trim();
    throw failure;
  }
}

async function search(text) {
  const word = await wordOf(text);
  const panel = byId("panel").value;
  field.value = word;
  const wanted = new URLSearchParams({ q: word });
  if (panel) wanted.set("panel", panel);
  history.pushState(null, "", `?${wanted}`);
  await show(wanted);
}

/** A word is first a lot, a part or a supply, else an order; with a panel it is an order. */
async function show(wanted) {
  const word = wanted.get("q");
  const panel = wanted.get("panel");
  const place = PLACE.filter((name) => wanted.has(name)).map((name) => [name, wanted.get(name)]);
  asked = new URLSearchParams(place);
  if (word && !panel) asked.set("q", word);
  let found = panel ? [] : await fetchStays();
  if (word && found.length === 0) {
    asked = new URLSearchParams([...place, ["order", word]]);
    if (panel) asked.set("panel", panel);
    found = await fetchStays();
  }
  await showGot(asked.has("q") && found.length > 0 ? asked : null);
  showStays(found, word, panel);
}

function fetchStays(after = null) {
  const query = new URLSearchParams([...asked, ["limit", PAGE]]);
  if (after) query.set("after", after);
  return get(`/stays?${query}`);
}

async function showGot(query) {
  byId("got").hidden = query === null;
  if (query === null) return;
  const { orders, more } = await get(`/panels?${query}`);
  say(byId("got-title"), t("Panels with {word}", { word: query.get("q") }));
  byId("orders").replaceChildren(...orders.map(orderRow));
  say(byId("got-note"), orders.length === 0 ? t("No panel was fed from it.")
    : more ? t("There is more than fits here: ask for one line or a shorter time in the API.")
    : t("Perhaps: it was exchanged or joined within these panels, or feeds together with another slot."));
}

function orderRow(found) {
  const slots = found.slots.map(({ station, slot }) => `${station} ${slot}`).join(", ");
  return make("li", {},
    make("b", {}, `${found.line} · ${ofWhat(found)}`), " ",
    ...spaced(panelWords(found.sure, found.possible)),
    make("small", {}, slots));
}

function showStays(found, word, panel) {
  const title = panel ? t("In panel {panel} of order {order}", { panel, order: word })
    : asked.has("order") ? t("What order {order} was fed from", { order: word })
    : asked.has("slot") ? t("What fed {slot}", { slot: PLACE.map((name) => asked.get(name)).join(" ") }) : t("Where it was");
  byId("where").hidden = found.length === 0;
  say(byId("stays-title"), title);
  const nothing = panel ? t("Nothing is known of panel {panel} of order {order}.", { panel, order: word }) : t("Nothing is known of {word}.", { word: word ?? "" });
  say(byId("said"), found.length === 0 ? nothing : "");
  byId("stays").replaceChildren(...rows(found));
  byId("sheet").href = `/api/v1/stays?${new URLSearchParams([...asked, ["format", "csv"]])}`;
  page(found);
}

/** Of an order by place, as somebody walks along the line; else the newest first. */
function inOrder(found) {
  const place = (stay) => [stay.line, stay.station, stay.slot].join("\u0000");
  return asked.has("order") ? found.toSorted((a, b) => (place(a) < place(b) ? -1 : place(a) > place(b) ? 1 : 0)) : found;
}

const rows = (found) => inOrder(found).map((stay) => stayRow(stay, { here: asked.has("slot"), sure: stay.sure ?? null }));

function page(found) {
  last = found.at(-1)?.id ?? null;
  byId("more").hidden = found.length < PAGE;
}

byId("more").addEventListener("click", async () => {
  try {
    const found = await fetchStays(last);
    byId("stays").append(...rows(found));
    page(found);
  } catch (failure) {
    say(byId("said"), failure.message);
  }
});

async function open() {
  const wanted = new URLSearchParams(location.search);
  field.value = wanted.get("q") ?? "";
  byId("panel").value = wanted.get("panel") ?? "";
  if (!wanted.get("q") && !wanted.get("slot")) return;
  try {
    await show(wanted);
  } catch (failure) {
    say(byId("said"), failure.message);
  }
}

byId("panel").addEventListener("keydown", (event) => {
  if (event.key === "Enter") box.element.querySelector("form").requestSubmit();
});
addEventListener("popstate", open);
open();

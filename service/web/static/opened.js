// The supplies that have a name: where each is, how long its parts may still lie open, and what was done to it.

import { pressable, teller } from "./act.js";
import { Failure, get, path, post } from "./api.js";
import { who } from "./ask.js";
import { another, baked, inTheDry, opened } from "./cared.js";
import { arrange, make, say } from "./dom.js";
import { many, number, t } from "./language.js";
import { lifeView, pressing } from "./life.js";
import { scanner } from "./scan.js";
import { pageOf, parts } from "./words.js";
import "./shell.js";

const EVERY_MS = 20000;
const MOST = 1000;
const byId = (id) => document.getElementById(id);
const shown = new Map();
const choice = { which: "limited", text: "" };
let rows = [];
let asked = 0;
let tooMany = false;

/** Now by the service's clock: that of the last answer, and what passed since. */
function now() {
  const told = rows.map(({ floor_life: life }) => life?.as_of).filter(Boolean).sort().at(-1);
  return told ? new Date(Date.parse(told) + performance.now() - asked) : new Date();
}

const FITS = {
  limited: ({ floor_life: life }) => life !== null && !life.unlimited,
  pressing: ({ floor_life: life }) => pressing(life, now()) !== null,
  dry: ({ floor_life: life }) => life !== null && (life.lies === "dry" || life.lies === "sealed"),
  all: () => true,
};
const DONE = {
  opened: t("Noted: it lies open."), sealed: t("Noted: it is sealed."), dry: t("Noted: it is in the dry."),
  out: t("Noted: it lies open again."), baked: t("Noted: baked. Its floor life begins anew."),
};

function draw() {
  const text = choice.text.trim().toLowerCase();
  const fits = (row) => FITS[choice.which](row) && (!text || [row.supply, row.part, row.lot].some((each) => each?.toLowerCase().includes(text)));
  const wanted = rows.filter(fits);
  arrange(byId("supplies"), wanted.map((row) => {
    if (!shown.has(row.supply)) shown.set(row.supply, card(row.supply));
    shown.get(row.supply).show(row);
    return shown.get(row.supply).element;
  }));
  say(byId("verdict"), verdict());
  say(byId("calm"), wanted.length ? "" : rows.length ? t("None of the {n} known supplies fits.", { n: number(rows.length) })
    : t("No supply with a name is known yet. It appears here when it is loaded, or when you name it below."));
}

function verdict() {
  const found = rows.map(({ floor_life: life }) => pressing(life, now()));
  const [over, soon] = ["over", "soon"].map((which) => found.filter((each) => each === which).length);
  return [
    over > 0 && many(over, "The floor life of {n} supply is over.", "The floor life of {n} supplies is over."),
    soon > 0 && many(soon, "{n} floor life ends within 2 hours.", "{n} floor lives end within 2 hours."),
    !over && !soon && t("No floor life ends within 2 hours, as far as is known."),
  ].filter(Boolean).join(" ");
}

function card(name) {
  let row = null;
  const facts = make("p", { class: "facts" });
  const where = make("p", { class: "where" });
  const view = lifeView();
  const none = make("p", { class: "note" }, t("Nobody says that it is sensitive to moisture."));
  const said = make("p", { class: "said", role: "status" });
  const tell = teller(said, say);
  const button = (label, change, ask) => {
    const own = make("button", { type: "button" }, label);
    pressable(own, () => care(row, change, ask), tell);
    return own;
  };
  const acts = {
    opened: button(t("Opened…"), "opened", opened), dry: button(t("Into the dry cabinet…"), "dry", inTheDry),
    out: button(t("Out again"), "out", async () => ({})), baked: button(t("Baked…"), "baked", baked),
  };
  const element = make("article", { class: "supply-card" },
    make("h3", {}, name), facts, where, view.element, none, make("div", { class: "acts" }, make("div", { class: "buttons" }, ...Object.values(acts))), said);
  return {
    element,
    show(next) {
      row = next;
      say(facts, [row.part ?? t("part not known"), row.lot && t("lot {lot}", { lot: row.lot }), row.left !== null && parts(row.left)].filter(Boolean).join(" · "));
      showWhere(where, row.where);
      view.element.hidden = row.floor_life === null;
      none.hidden = row.floor_life !== null;
      if (row.floor_life) view.show(row.floor_life, now());
      const lies = row.floor_life?.lies ?? "unknown";
      acts.opened.hidden = !["sealed", "unknown"].includes(lies) && row.floor_life?.reason !== "opening";
      acts.dry.hidden = lies === "dry" || row.floor_life === null;
      acts.out.hidden = lies !== "dry";
      acts.baked.hidden = row.floor_life === null || (lies === "sealed" && row.floor_life.reason !== "bake");
    },
  };
}

function showWhere(element, place) {
  const key = place ? pageOf(place) : "";
  if (element.dataset.place === key) return;
  element.dataset.place = key;
  element.replaceChildren(place
    ? make("a", { href: key }, t("{station} {slot}, line {line}", place))
    : t("not loaded"));
}

/** `ask` gives what else is to be said; null: the person thought better of it. */
async function care(row, change, ask) {
  const { supply } = row;
  const by = await who();
  const more = by && (await ask(row));
  if (!more) return null;
  await post(`${path("supplies", supply)}/care`, { change, by, ...more });
  await refresh();
  return DONE[change];
}

async function careAnother() {
  const said = await another();
  const by = said && (await who());
  if (!by) return null;
  await post(`${path("supplies", said.supply)}/care`, { ...said.body, by });
  await refresh();
  return DONE.opened;
}

async function refresh() {
  try {
    // Beyond so many the service looks; what ends soonest is among the first in any case.
    const query = new URLSearchParams({ limit: MOST, ...(tooMany && choice.text && { q: choice.text }) });
    rows = await get(`/supplies?${query}`);
    tooMany = tooMany || rows.length === MOST;
    asked = performance.now();
    draw();
    document.body.dataset.shown = "supplies";
  } catch (failure) {
    if (!(failure instanceof Failure)) throw failure;
    say(byId("verdict"), failure.message);
  }
}

/** A label that was scanned finds its supply, whatever was chosen before; nothing typed shows all of the choice. */
async function find(text) {
  choice.text = field.value = await wordOf(text);
  choice.which = byId("which").value = "all";
  await refresh();
  byId("supplies").querySelector("h3")?.scrollIntoView({ block: "nearest" });
}

/** What a label says, or the text itself. */
async function wordOf(text) {
  try {
    const { supply, part, lot } = await post("/labels/read", { text });
    return supply ?? part ?? lot ?? text.trim();
  } catch (failure) {
    if (failure instanceof Failure && [403, 404, 422].includes(failure.status)) return text.trim();
    throw failure;
  }
}

const box = scanner(find, { label: t("Supply, part or lot") });
const field = box.element.querySelector("input");
field.addEventListener("input", () => { choice.text = field.value; draw(); });
byId("find").replaceWith(box.element);
byId("which").addEventListener("change", (event) => { choice.which = event.target.value; draw(); });
pressable(byId("another"), careAnother, teller(byId("said"), say));
refresh();
setInterval(() => document.hidden || refresh(), EVERY_MS);

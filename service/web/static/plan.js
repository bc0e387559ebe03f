// The page of the plan: live, one line or several.

import { get, path } from "./api.js";
import { beside } from "./beside.js";
import { arrange, make, say } from "./dom.js";
import { t } from "./language.js";
import { follow } from "./live.js";
import { chosen, lineChoice, only } from "./mine.js";
import { planView } from "./planned.js";
import { condition, onceAFrame } from "./shell.js";
import * as state from "./state.js";
import { place } from "./supplies.js";

const byId = (id) => document.getElementById(id);
const views = new Map();
const plans = beside((line) => get(path("lines", line, "plan")), () => shown());
const choice = lineChoice();

const shown = onceAFrame(() => {
  choice.show([...state.lines.keys()]);
  const lines = chosen([...state.lines.keys()]);
  say(byId("calm"), lines.length ? "" : nothingWords());
  arrange(byId("lines"), lines.filter((line) => plans.known.has(line)).map(viewOf));
});

function nothingWords() {
  if (only) return t("Nothing was heard of line {line} yet.", { line: only });
  return state.lines.size ? t("No line is chosen as yours on this device.") : t("No line was heard of yet. It appears here with its first count.");
}

function viewOf(line) {
  if (!views.has(line)) views.set(line, planView(line, links(line)));
  const unknown = state.slotsInOrder(line).filter((slot) => slot.state === "unknown").map(place);
  views.get(line).show(plans.known.get(line), unknown);
  return views.get(line).element;
}

const links = (line) => [
  make("a", { class: "button", href: `/fetch?line=${encodeURIComponent(line)}` }, t("What to fetch")),
  make("a", { class: "button", href: `/?line=${encodeURIComponent(line)}` }, t("The road ahead")),
];

byId("choose").append(choice.element);

follow({
  line: only,
  shown: () => { plans.news(chosen([...state.lines.keys()])); shown(); },
  told: () => null,
  condition,
  events: { plan: (plan) => plans.put(plan.line, plan) },
});

// While a review is being put together this says how far it is, and shows it as soon as it is there.

import { get } from "./api.js";
import { say } from "./dom.js";
import { many, t } from "./language.js";
import "./moments.js";
import "./switch.js";

const SOON_MS = 700;
const progress = document.getElementById("progress");
const { query } = document.body.dataset;

function told({ entries, waits }) {
  if (waits) return many("It is being put together; one other comes first.", "It is being put together; {number} others come first.", waits);
  if (entries) return many("It is being put together: one entry of the journal was read.", "It is being put together: {number} entries of the journal were read.", entries);
  return t("It is being put together. This page shows it by itself.");
}

async function look() {
  try {
    const found = await get(`/review/state?${query}`);
    if (found.ready) {
      location.reload();
      return;
    }
    say(progress, told(found));
  } catch (failure) {
    say(progress, failure.message);
    if (failure.status === 404 || failure.status === 422) return;
  }
  setTimeout(look, SOON_MS);
}

if (query) setTimeout(look, SOON_MS);

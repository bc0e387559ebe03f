// What a person chose on this device: a dark or bright hall, and the language; else what the device says.

import "./installed.js";

const KEPT = "earlybell.hall";
const choice = document.getElementById("hall");

function apply(hall) {
  if (hall === "dark" || hall === "bright") document.documentElement.dataset.hall = hall;
  else delete document.documentElement.dataset.hall;
  choice.value = document.documentElement.dataset.hall ?? "device";
}

function choose() {
  apply(choice.value);
  try {
    localStorage.setItem(KEPT, choice.value);
  } catch {
    return; // it holds until the page is left
  }
}

apply(document.documentElement.dataset.hall);
choice.addEventListener("change", choose);
window.addEventListener("storage", (event) => event.key === KEPT && apply(event.newValue));

// The server writes the page, so it must know the language: a cookie, and the page anew.
const tongue = document.getElementById("tongue");
const YEAR_SECONDS = 365 * 24 * 3600;

tongue.addEventListener("change", () => {
  const kept = tongue.value ? YEAR_SECONDS : 0;
  document.cookie = `earlybell_language=${tongue.value}; path=/; max-age=${kept}; samesite=lax`;
  location.reload();
});

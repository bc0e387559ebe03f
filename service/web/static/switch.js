// The switch between a dark hall, a bright hall and what the device says; kept on this device.

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

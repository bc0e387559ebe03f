// What a person chose on this device. Where storage is switched off it holds until the page is left.

const ROOT = "earlybell.";
const here = new Map();

/** What was kept under `name`; `otherwise` where nothing was, or nothing that can be read. */
export function kept(name, otherwise) {
  if (here.has(name)) return here.get(name);
  try {
    return JSON.parse(localStorage.getItem(ROOT + name)) ?? otherwise;
  } catch {
    return otherwise;
  }
}

export function keep(name, value) {
  here.set(name, value);
  try {
    localStorage.setItem(ROOT + name, JSON.stringify(value));
  } catch {
    return; // it holds until the page is left
  }
}

/** Call `changed` when another page of this device kept one of `names`. */
export function onKept(names, changed) {
  window.addEventListener("storage", (event) => {
    const name = names.find((each) => event.key === ROOT + each);
    if (!name) return;
    here.delete(name);
    changed();
  });
}

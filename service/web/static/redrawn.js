// Draws a part of a page anew without losing where the focus was and what was unfolded.

/** Put `children()` into `parent` when `facts` aren't those it was drawn from; what had the focus, by its key, has it again. */
export function redraw(parent, facts, children) {
  const key = JSON.stringify(facts);
  if (parent.drawnFrom === key) return;
  parent.drawnFrom = key;
  const focused = parent.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  const unfolded = [...parent.querySelectorAll("details[open] > summary")].map((each) => each.dataset.key);
  parent.replaceChildren(...children().filter(Boolean));
  const keyed = [...parent.querySelectorAll("[data-key]")];
  for (const each of keyed) if (unfolded.includes(each.dataset.key)) each.parentElement.open = true;
  if (focused) keyed.find((each) => each.dataset.key === focused)?.focus({ preventScroll: true });
}

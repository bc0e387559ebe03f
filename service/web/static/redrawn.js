// Draws a part of a page anew without losing where the focus was.

/** Put `children()` into `parent` when `facts` aren't those it was drawn from; what had the focus has it again. */
export function redraw(parent, facts, children) {
  const key = JSON.stringify(facts);
  if (parent.drawnFrom === key) return;
  parent.drawnFrom = key;
  const focused = parent.contains(document.activeElement) ? document.activeElement.dataset.key : null;
  parent.replaceChildren(...children().filter(Boolean));
  if (focused) [...parent.querySelectorAll("[data-key]")].find((each) => each.dataset.key === focused)?.focus({ preventScroll: true });
}

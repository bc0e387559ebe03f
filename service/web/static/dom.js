// Makes elements. Everything that comes from data goes in as text or as an attribute's value, never as markup.

const SVG = "http://www.w3.org/2000/svg";

/** An HTML element: `make("p", {class: "calm"}, "text", child, null)`. */
export function make(tag, attributes = {}, ...children) {
  return fill(document.createElement(tag), attributes, children);
}

/** The same for SVG. */
export function draw(tag, attributes = {}, ...children) {
  return fill(document.createElementNS(SVG, tag), attributes, children);
}

function fill(element, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") element.addEventListener(name, value);
    else if (value === true) element.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
  }
  element.append(...children.filter((child) => child !== null && child !== undefined && child !== false));
  return element;
}

/** Set an element's text only when it differs, so that nothing is announced or repainted for nothing. */
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** Make `parent` hold exactly `children` in that order, moving only what has to move; focus stays. */
export function arrange(parent, children) {
  const focused = document.activeElement;
  const wanted = new Set(children);
  for (const child of [...parent.children]) if (!wanted.has(child)) child.remove();
  let place = parent.firstElementChild;
  for (const child of children) {
    if (child === place) place = place.nextElementSibling;
    else parent.insertBefore(child, place);
  }
  if (focused !== document.activeElement && parent.contains(focused)) focused.focus({ preventScroll: true });
}

const SHAPES = {
  ok: ["circle", { r: 5 }],
  early: ["path", { d: "M0-8 8 0 0 8-8 0z" }],
  urgent: ["path", { d: "M-9-7H9L0 9z" }],
  empty: ["path", { d: "M-8-8H8V8H-8zM-4-4 4 4M4-4-4 4" }],
  stop: ["path", { d: "M-3.5-8.5h7l5 5v7l-5 5h-7l-5-5v-7z" }],
  stale: ["path", { d: "M0-5.5V0l4 3M0-8.5a8.5 8.5 0 1 0 .01 0" }],
  question: ["path", { d: "M-5-4a5 5 0 1 1 7 4.5Q0 2 0 4.5M0 7.5v1.5" }],
};

/** The sign of a level: each has its own shape, so that colour never speaks alone. */
export function sign(level) {
  const [tag, attributes] = SHAPES[level] ?? SHAPES.ok;
  return draw(tag, { ...attributes, class: `sign-${level}` });
}

/** A sign as a small picture beside a word. */
export function icon(level) {
  return draw("svg", { viewBox: "-11 -11 22 22", class: "icon", "aria-hidden": "true" }, sign(level));
}

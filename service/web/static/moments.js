// The road ahead of a line as it was, moment after moment. Stands alone: a report brings it along, and its words
// come with the data. Draws what paper/road.py draws, as wide as there is room.

const SVG = "http://www.w3.org/2000/svg";
const MARGIN = 12;
const HEAD = 50;
const ROW = 42;
const NARROWEST = 300;
const WIDEST = 960;
const SIGNS = {
  ok: "M0-4.5A4.5 4.5 0 1 1 0 4.5A4.5 4.5 0 1 1 0-4.5z",
  early: "M0-6.5L6.5 0L0 6.5L-6.5 0z",
  urgent: "M-7-5.5H7L0 7z",
  empty: "M-6-6H6V6H-6zM-3-3L3 3M3-3L-3 3",
  stop: "M-3-7H3L7-3V3L3 7H-3L-7 3V-3z",
};

const fill = (text, values) => text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? values[name] : whole));

function make(space, tag, attributes = {}, ...children) {
  const element = space ? document.createElementNS(space, tag) : document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") element.addEventListener(name, value);
    else if (value !== null) element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

const draw = (tag, kind, attributes, ...children) =>
  make(SVG, tag, { class: kind && `pic-${kind}`, ...attributes }, ...children);
const upright = (x, top, bottom, kind) => draw("path", kind, { d: `M${x} ${top}V${bottom}` });
const words = (text, x, y, kind, anchor = "start") => draw("text", kind, { x, y, "text-anchor": anchor }, text);
const sign = (name, x, y, scale = 1) =>
  draw("path", name, { d: SIGNS[name], transform: `translate(${x} ${y}) scale(${scale})` });
const shorter = (text, most) => (text.length <= most ? text : `${text.slice(0, most - 1).trimEnd()}…`);

/** Puts the controls and the picture into `element`, which holds the picture of one moment and the data. */
function slide(element) {
  const data = JSON.parse(element.dataset.moments);
  const said = data.words;
  const clockOf = new Intl.DateTimeFormat(data.locale, { hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: data.zone });
  const dayOf = new Intl.DateTimeFormat(data.locale, { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", second: "2-digit", hourCycle: "h23", timeZone: data.zone });
  const number = new Intl.NumberFormat(data.locale).format;
  const clock = (moment, panels = 0) =>
    panels && moment.takt_seconds === null ? "" : clockOf.format(Date.parse(moment.at) + panels * (moment.takt_seconds ?? 0) * 1000);

  let [line] = data.lines;
  let width = NARROWEST;
  const range = make(null, "input", { type: "range", min: 0, step: 1, id: "pic-moment", input: show });
  const when = make(null, "output", { for: "pic-moment", class: "pic-when" });
  const state = make(null, "p", { class: "pic-state" });
  const choice = make(null, "select", { id: "pic-line", change: () => begin(data.lines[choice.selectedIndex]) },
    ...data.lines.map((each) => make(null, "option", {}, each.line)));
  const before = make(null, "button", { type: "button", click: () => jump(-1) }, said.previous);
  const after = make(null, "button", { type: "button", click: () => jump(1) }, said.next);
  const svg = draw("svg", null, { class: "pic", role: "img", "font-size": 13 });
  const lines = make(null, "label", { for: "pic-line" }, said.line, choice);
  lines.hidden = data.lines.length < 2;
  element.replaceChildren(
    make(null, "div", { class: "pic-controls" }, lines,
      make(null, "label", { for: "pic-moment" }, said.moment, when), range,
      make(null, "div", { class: "pic-jumps" }, before, after)),
    state, make(null, "div", { class: "pic-box" }, svg));
  new ResizeObserver(([entry]) => {
    const room = Math.max(NARROWEST, Math.min(WIDEST, Math.floor(entry.contentRect.width)));
    if (room !== width) show(width = room);
  }).observe(element);
  begin(line);

  function begin(chosen) {
    line = chosen;
    range.max = line.moments.length - 1;
    range.value = line.moments.length - 1;
    show();
  }

  function jump(way) {
    for (let index = Number(range.value) + way; index in line.moments; index += way) {
      if (line.moments[index].out === null) continue;
      range.value = index;
      return show();
    }
  }

  function show() {
    const index = Number(range.value);
    const moment = line.moments[index];
    when.value = dayOf.format(Date.parse(moment.at));
    range.setAttribute("aria-valuetext", when.value);
    before.disabled = !line.moments.slice(0, index).some(({ out }) => out !== null);
    after.disabled = !line.moments.slice(index + 1).some(({ out }) => out !== null);
    const towers = moment.towers.flatMap((reading, at) =>
      reading in data.readings ? [fill(said.tower, { station: line.stations[at], reading: data.readings[reading] })] : []);
    state.textContent = [...towers, fill(said.open, { number: number(moment.open) })].join(" · ");
    picture(moment);
  }

  function picture(moment) {
    const horizon = line.horizon;
    const tall = HEAD + ROW * Math.max(1, line.moments.reduce((most, { rows }) => Math.max(most, rows.length), 0)) + 4;
    const x = (panels) => MARGIN + Math.min(Math.max(panels / horizon, 0), 1) * (width - 2 * MARGIN);
    const holds = (panels) => panels !== null && panels <= horizon;
    svg.setAttribute("viewBox", `0 0 ${width} ${tall}`);
    svg.setAttribute("width", width);
    svg.setAttribute("height", tall);
    svg.replaceChildren(
      draw("title", null, {}, fill(said.title, { line: line.line, clock: clock(moment) })),
      ...axis(), ...edges(36, 44), ...moment.rows.map((row, at) => drawn(row, HEAD + ROW * at)));
    if (!moment.rows.length) svg.append(words(said.nothing, x(0) + 6, HEAD + 24, "soft"));

    function axis() {
      const step = data.steps[horizon];
      const parts = [];
      for (let panels = 0; panels <= horizon; panels += step) {
        const anchor = panels === 0 ? "start" : panels === horizon ? "end" : "middle";
        parts.push(words(panels === 0 ? said.now : number(panels), x(panels), 14, panels === 0 ? "strong" : "ink", anchor),
          upright(x(panels), 36, 44, "axis"));
        if (width >= 480 || (panels / step) % 2 === 0) parts.push(words(clock(moment, panels), x(panels), 30, "soft", anchor));
      }
      return parts;
    }

    function edges(top, bottom) {
      const found = [...moment.stops.map(([far]) => [far, "planned"]), [moment.lead, "lead"], [moment.end, "end"], [0, "now"]];
      return found.filter(([far]) => holds(far)).map(([far, kind]) => upright(x(far), top, bottom, kind));
    }

    function drawn([place, p05, p50, p95, level], top) {
      const { station, slot, part } = line.slots[place];
      const middle = top + 30;
      const band = (to, kind) => draw("rect", kind, { x: x(0), y: middle - 5, width: x(to) - x(0), height: 10 });
      const doubt = p05 < p95 ? ` (${number(p05)}–${number(p95)})` : "";
      const until = p50 && clock(moment, p50) ? ` · ${clock(moment, p50)}` : "";
      const parts = [
        words(shorter(`${station} ${slot}`, width < 480 ? 16 : 24), x(0) + 4, top + 16, "strong"),
        words(level === "empty" ? data.empty : `${number(p50)}${doubt}${until}`, width - MARGIN, top + 16, "ink", "end"),
        band(moment.end ?? horizon, "way"), band(p05, level === "ok" ? "sure" : level),
        ...edges(middle - 12, middle + 12),
      ];
      if (width >= 480) parts.push(words(shorter(part ?? said.unknown, 30), width / 2 - 60, top + 16, "soft"));
      if (p05 < p95 && holds(p50)) {
        const end = holds(p95) ? `M${x(p95)} ${middle - 5}v10` : "";
        parts.push(draw("path", "whisker", { d: `M${x(p05)} ${middle}H${x(p95)}M${x(p05)} ${middle - 5}v10${end}` }));
      }
      parts.push(holds(p50) ? sign(level, x(p50), middle)
        : draw("path", "further", { d: `M${width - MARGIN - 12} ${middle - 4}l5 4l-5 4` }));
      for (const [far, places] of moment.stops) {
        if (places.includes(place) && holds(far)) parts.push(sign("stop", x(far), middle - 13, 0.8));
      }
      return draw("g", null, {}, ...parts);
    }
  }
}

for (const element of document.querySelectorAll(".pic-moments")) slide(element);

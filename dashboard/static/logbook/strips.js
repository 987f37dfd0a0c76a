// The day and the hour as strips: states as heights, and a bracket round what the sheet below shows.
import { ticks } from "../desk/days.js";

const SVG = "http://www.w3.org/2000/svg";
const HEIGHT = { OFFLINE: 1, STANDBY: 0.1, READY: 0.46, WORKING: 1, ERROR: 1 };
const BAR = 30;

function make(tag, attributes, text) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (text !== undefined) element.textContent = text;
  return element;
}

function hatch(id) {
  const pattern = make("pattern", { id, width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" });
  pattern.append(make("rect", { width: 2, height: 6, fill: "#8a826f" }));
  const defs = make("defs", {});
  defs.append(pattern);
  return defs;
}

/** Draw a strip of `[from, to]` with its states, cuts if given, and the window of the sheet. */
export function drawStrip(svg, zone, { from, to, states, cuts = [], view, now, tight = false }) {
  const width = svg.clientWidth;
  const x = (ms) => ((Math.min(Math.max(ms, from), to) - from) / (to - from)) * width;
  const parts = [hatch(`${svg.id}-hatch`), make("line", { class: "base", x1: 0, x2: width, y1: BAR, y2: BAR })];
  for (const { state, start, end } of states) {
    const [a, b] = [x(Date.parse(start)), x(Math.min(Date.parse(end), now))];
    if (b <= a) continue;
    const height = HEIGHT[state] * BAR;
    const bar = make("rect", { class: state, x: a, width: Math.max(b - a, state === "WORKING" ? 1 : 0.3), y: BAR - height, height });
    if (state === "OFFLINE") bar.setAttribute("fill", `url(#${svg.id}-hatch)`);
    parts.push(bar);
  }
  for (const cut of cuts.filter((c) => c.kind !== "counted")) {
    const a = x(cut.from);
    parts.push(make("rect", { class: cut.kind, x: a, width: Math.max(3, x(cut.to) - a), y: 1, height: BAR - 1 }));
  }
  const most = Math.max(2, Math.floor(width / 60));
  for (const [t, text] of ticks(zone, from, to, most)) {
    parts.push(make("line", { class: "tick", x1: x(t), x2: x(t), y1: BAR, y2: BAR + 5 }));
    if (x(t) > 16 && x(t) < width - 16) parts.push(make("text", { x: x(t), y: BAR + 17 }, text));
  }
  const [a, b] = [x(view[0]), x(view[1])];
  if (view[1] > from && view[0] < to) {
    const wide = Math.max(b - a, 3);
    parts.push(make("rect", { class: "window", x: a, width: wide, y: -2, height: BAR + 4 }));
    const foot = svg.clientHeight + (tight ? 10 : 4);
    parts.push(make("path", { class: "funnel", d: `M${a} ${BAR + 2}L${a + wide} ${BAR + 2}L${width} ${foot}L0 ${foot}Z` }));
  }
  svg.replaceChildren(...parts);
}

/** Calls back with the time that was clicked. */
export function onStrip(svg, bounds, then) {
  svg.addEventListener("click", (event) => {
    const box = svg.getBoundingClientRect();
    const [from, to] = bounds();
    then(from + ((event.clientX - box.left) / box.width) * (to - from));
  });
}

// The folding rule under the ribbons: hours, halves and quarters, and a carpenter's crow's foot that points at now.
import { _ } from "../desk/speech.js";

const SVG = "http://www.w3.org/2000/svg";
const QUARTER = 900_000;

export function drawRule(svg, shop, box) {
  if (!box) return;
  const { start, end } = shop.window();
  const unit = Math.min(innerHeight / 100, innerWidth * 0.005625);
  const x = (ms) => box.left + ((ms - start) / (end - start)) * box.width;
  const now = x(shop.now());
  const fingerprint = [start, end, Math.round(now), box.left, box.width, unit].join();
  if (svg.dataset.drawn === fingerprint) return;
  svg.dataset.drawn = fingerprint;

  const make = (tag, attributes, text) => {
    const element = document.createElementNS(SVG, tag);
    for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
    if (text !== undefined) element.textContent = text;
    return element;
  };
  const parts = [make("line", { x1: box.left, x2: box.left + box.width, y1: 0.5, y2: 0.5 })];
  const hourWidth = (box.width * 4 * QUARTER) / (end - start);
  const every = hourWidth < 7 * unit ? (hourWidth < 3.5 * unit ? 4 : 2) : 1; // hours between two figures
  for (let quarter = 0; start + quarter * QUARTER <= end; quarter += 1) {
    const length = quarter % 4 === 0 ? 1.9 : quarter % 2 === 0 ? 1.2 : 0.7;
    const place = x(start + quarter * QUARTER);
    parts.push(make("line", { x1: place, x2: place, y1: 0, y2: length * unit, class: length > 1.5 ? "" : "fine" }));
    if (quarter % (4 * every) !== 0) continue;
    if (Math.abs(place - now) < 5.4 * unit || place + 3.2 * unit > svg.clientWidth + 2 * unit) continue; // the crow's foot, or the edge, is there
    parts.push(make("text", { x: place, y: 4.1 * unit }, shop.words.clock(start + quarter * QUARTER)));
  }
  const foot = 1.5 * unit;
  parts.push(make("path", { d: `M${now - foot} ${2.6 * foot}L${now} 1L${now + foot} ${2.6 * foot}`, "stroke-width": 0.4 * unit }));
  svg.replaceChildren(...parts);
  svg.setAttribute("aria-label", _("time from {start} to {end}", { start: shop.words.clock(start), end: shop.words.clock(end) }));
}

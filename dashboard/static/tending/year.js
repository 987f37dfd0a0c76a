// A year of one saw: a month a row, a day a column, each day a sign.
import { _, dates } from "../desk/speech.js";
import { ask } from "../desk/ask.js";

const SVG = "http://www.w3.org/2000/svg";
const [LEFT, STEP, SIZE, ROW, HEAD] = [28, 18, 15, 18, 13];
const MONTH = dates({ timeZone: "UTC", month: "short" });

function make(tag, attributes, text) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (text !== undefined) element.textContent = text;
  return element;
}

/** The sheet of one saw: heading with compliance, and the twelve rows. `pick(saw, date)` is called for a day. */
export async function yearSheet(saw, year, pick) {
  const answer = await ask(`/api/v1/saws/${saw.saw}/maintenance/year?year=${year}`);
  const sheet = document.createElement("div");
  sheet.className = "sheet";
  sheet.dataset.saw = saw.saw;
  const t = answer.total;
  const head = document.createElement("p");
  head.className = "who";
  const name = document.createElement("b");
  name.textContent = saw.title;
  const rest = document.createElement("span");
  const share = document.createElement("strong");
  share.textContent = t.compliance === null ? "–" : `${Math.floor(100 * t.compliance)} %`;
  rest.append(share, ` ${[_("in time: {n} of {all}", { n: t.in_time, all: t.due }), t.late && _("{n} late", { n: t.late }), t.missed && _("{n} missed", { n: t.missed })].filter(Boolean).join(", ")}`);
  head.append(name, rest);
  sheet.append(head, draw(saw, answer, pick));
  return sheet;
}

function draw(saw, answer, pick) {
  // Months in which nothing was due, such as those before there was a record, take no room.
  const months = answer.days.map((day) => Number(day.day.slice(5, 7)) - 1);
  const [from, to] = months.length ? [Math.min(...months), Math.max(...months)] : [0, 11];
  const svg = make("svg", { viewBox: `0 0 ${LEFT + 31 * STEP} ${HEAD + (to - from + 1) * ROW}`, role: "img", "aria-label": _("{saw}, {year}: maintenance day by day", { saw: saw.title, year: answer.year }) });
  const of = new Map(answer.days.map((day) => [day.day, day]));
  for (let d = 1; d <= 31; d += 1) {
    if (d === 1 || d % 5 === 0) svg.append(make("text", { x: LEFT + (d - 1) * STEP + SIZE / 2, y: 8, "text-anchor": "middle" }, d));
  }
  for (let m = from; m <= to; m += 1) {
    const y = HEAD + (m - from) * ROW;
    svg.append(make("text", { x: 0, y: y + SIZE - 3 }, MONTH.format(Date.UTC(answer.year, m, 15))));
    const days = new Date(Date.UTC(answer.year, m + 1, 0)).getUTCDate();
    for (let d = 1; d <= days; d += 1) {
      const date = `${answer.year}-${String(m + 1).padStart(2, "0")}-${String(d).padStart(2, "0")}`;
      const day = of.get(date);
      const x = LEFT + (d - 1) * STEP;
      if (!day) continue;
      const cell = make("g", { class: "cell", "data-day": date, "data-verdict": day.verdict });
      cell.append(make("use", { href: `#c-${day.verdict}`, x: x + 2, y: y + 2, width: SIZE - 4, height: SIZE - 4 }));
      cell.append(make("rect", { class: "hit", x, y, width: SIZE, height: SIZE }));
      cell.append(make("title", {}, `${date}: ${words(day)}`));
      cell.addEventListener("click", () => {
        svg.querySelector(".chosen")?.classList.remove("chosen");
        cell.classList.add("chosen");
        pick(saw, date);
      });
      svg.append(cell);
    }
  }
  return svg;
}

function words(day) {
  if (day.verdict === "shut") return _("shut");
  if (day.verdict === "stood") return _("the saw stood still");
  const parts = [_("{n} in time", { n: day.in_time }), day.late && _("{n} late", { n: day.late }), day.missed && _("{n} missed", { n: day.missed })].filter(Boolean);
  return day.due ? parts.join(", ") : { due: _("due today"), open: _("open"), ahead: _("ahead") }[day.verdict] ?? day.verdict;
}

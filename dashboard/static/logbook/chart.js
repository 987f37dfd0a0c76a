// The sheet: motor current as an envelope, with cuts, silences and switches drawn over it.
import { _, separators } from "../desk/speech.js";
import { ticks } from "../desk/days.js";

const CHALK = "#f1ebdc";
const DUST = "#b3ab98";
const NORMAL = "#55c493";
const NONE = "rgba(0,0,0,0)";
const SIGN = { vertical: "│", horizontal: "─", unknown: "?" };

/** The Plotly figure of a sheet: {data, layout}. Pure; a test holds it against Plotly's schema. */
export function sheetFigure(sheet, zone, [from, to], width, height) {
  const floor = Math.max(0.12, 48 / height); // the switches' share of the height
  const { motor, lock, door, silences, cuts, chosen, top } = sheet;
  const line = { x: [], y: [] };
  const fog = { x: [], y: [] };
  let piece = [];
  const close = () => {
    if (piece.length > 1) {
      fog.x.push(...piece.map((p) => p.t), ...piece.map((p) => p.t).reverse(), null);
      fog.y.push(...piece.map((p) => p.high), ...piece.map((p) => p.low).reverse(), null);
    }
    piece = [];
  };
  for (const p of motor) {
    line.x.push(p.t);
    line.y.push(p.mean);
    if (p.mean === null) close(); else piece.push(p);
  }
  close();
  const shown = motor.filter((p) => p.t >= from && p.t <= to);
  const single = shown.length < 160 && shown.every((p) => p.low === p.high); // each point is one reading
  const box = (list) => list.reduce((at, [a, b]) => {
    at.x.push(a, a, b, b, null);
    at.y.push(0, top, top, 0, null);
    return at;
  }, { x: [], y: [] });
  const area = { type: "scatter", mode: "none", fill: "toself", hoverinfo: "skip", hoveron: "fills" };
  const of = (kind) => box(cuts.filter((c) => c.kind === kind).map((c) => [c.from, c.to]));
  const data = [
    { ...area, name: "no data", ...box(silences), fillcolor: NONE, fillpattern: { shape: "/", fgcolor: "#8a826f", bgcolor: NONE, size: 9, solidity: 0.16 } },
    { ...area, name: "counted", ...of("counted"), fillcolor: "rgba(85,196,147,0.22)" },
    { ...area, name: "drawn", ...of("drawn"), fillcolor: NONE, fillpattern: { shape: "|", fgcolor: "rgba(241,235,220,0.35)", bgcolor: NONE, size: 10, solidity: 0.12 } },
    { ...area, name: "spread", ...fog, fillcolor: "rgba(179,171,152,0.5)" },
    {
      type: "scatter", name: "motor current", ...line, connectgaps: false, mode: single ? "lines+markers" : "lines",
      line: { color: CHALK, width: 1.6 }, marker: { color: CHALK, size: 5 }, hovertemplate: "%{y:.2f} A<extra></extra>",
    },
  ];
  const shapes = [];
  const annotations = [];
  for (const cut of cuts) {
    const colour = cut.kind === "counted" ? NORMAL : cut.kind === "drawn" ? CHALK : DUST;
    if (cut.kind === "none") shapes.push({ type: "rect", x0: cut.from, x1: cut.to, yref: "paper", y0: floor, y1: 1, line: { color: DUST, width: 1, dash: "dash" } });
    else shapes.push({ type: "line", x0: cut.from, x1: cut.to, yref: "paper", y0: 1, y1: 1, line: { color: colour, width: 6 } });
    if (cut.key === chosen) shapes.push({ type: "rect", x0: cut.from, x1: cut.to, yref: "paper", y0: floor, y1: 1, line: { color: CHALK, width: 3 } });
    const wide = ((cut.to - cut.from) / (to - from)) * width;
    if (wide > 14 && cut.to > from && cut.from < to) {
      const text = cut.kind === "none" ? (wide > 50 ? _("no cut") : "×") : SIGN[cut.direction];
      annotations.push({ x: (Math.max(cut.from, from) + Math.min(cut.to, to)) / 2, yref: "paper", y: cut.kind === "none" ? 0.9 : 0.97, yanchor: "top", text, showarrow: false, font: { color: colour, size: 15, weight: 700 } });
    }
  }
  for (const [a, b] of silences) {
    const wide = ((Math.min(b, to) - Math.max(a, from)) / (to - from)) * width;
    if (wide > 70) annotations.push({ x: (Math.max(a, from) + Math.min(b, to)) / 2, yref: "paper", y: 0.6, text: _("no data"), showarrow: false, font: { color: "#f3c44c", size: 15, weight: 700 }, bgcolor: "#16150f" });
  }
  const strip = (spans, y0, y1, colour) => spans.forEach(([a, b]) => shapes.push({ type: "rect", x0: a, x1: b, yref: "paper", y0, y1, fillcolor: colour, line: { width: 0 } }));
  strip(lock, floor * 0.42, floor * 0.62, CHALK);
  strip(door, floor * 0.06, floor * 0.26, "#f3c44c");
  const label = (text, y) => annotations.push({ xref: "paper", x: 0, xanchor: "right", xshift: -6, yref: "paper", y, text, showarrow: false, font: { color: DUST, size: 11 } });
  label(_("beam locked"), floor * 0.59);
  label(_("door open"), floor * 0.16);
  const marks = ticks(zone, from, to, Math.max(2, Math.floor(width / 84)));
  return {
    data,
    layout: {
      xaxis: { type: "linear", anchor: "free", position: 0, range: [from, to], tickvals: marks.map(([t]) => t), ticktext: marks.map(([, text]) => text), showgrid: true, gridcolor: "#2a271d", zeroline: false, color: DUST, tickfont: { size: 12 } },
      yaxis: { range: [0, top], domain: [floor, 1], fixedrange: true, gridcolor: "#2a271d", zeroline: false, color: DUST, ticksuffix: " A", nticks: 6 },
      margin: { l: width < 500 ? 88 : 92, r: 8, t: 8, b: 26 },
      paper_bgcolor: NONE, plot_bgcolor: NONE, showlegend: false, separators, dragmode: "pan", hovermode: "x",
      hoverlabel: { bgcolor: "#24211a", font: { color: CHALK, family: "Bitter, serif" } },
      font: { family: "Bitter, serif", color: DUST }, shapes, annotations,
    },
  };
}

/** Spans in which a switch was in the wanted position, from its changes. */
export function spansOf(changes, wanted, until) {
  return changes.flatMap(({ t, on }, i) => (on === wanted ? [[t, changes[i + 1]?.t ?? until]] : []));
}

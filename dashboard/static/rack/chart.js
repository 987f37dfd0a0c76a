// The control chart of a blade: each cut's load against the fresh blade's, the moving average, and its limit.
import { _ } from "../desk/speech.js";

const INK = { chalk: "#f1ebdc", dust: "#b3ab98", line: "#4b4638", attention: "#f3c44c" };
const FONT = { family: "Bitter, Georgia, serif", size: 14, color: INK.dust };

/** Percent against the fresh blade. */
const percent = (ratio) => 100 * (ratio - 1);

export function drawChart(place, wear, zone) {
  if (!wear.points.length) {
    Plotly.purge(place);
    place.textContent = wear.learned < wear.needed ? _("The chart begins when the blade has made {needed} cuts since it was sharpened; now {n}.", { needed: wear.needed, n: wear.learned }) : _("No cut yet.");
    return;
  }
  if (!place.classList.contains("js-plotly-plot")) place.textContent = "";
  const n = wear.points.map((_, i) => wear.needed + i + 1);
  const when = wear.points.map((p) => `${zone.long(Date.parse(p.t))} ${zone.seconds(Date.parse(p.t))}`);
  const average = wear.points.map((p) => percent(p.average));
  const limit = percent(wear.limit);
  const above = wear.points.map((p, i) => (p.heavier ? average[i] : null));
  const hover = { text: when, hovertemplate: "%{text}<br>%{y:+.0f} %<extra></extra>" };
  const data = [
    { type: "scatter", mode: "markers", x: n, y: wear.points.map((p) => percent(p.ratio)), marker: { color: INK.line, size: 3 }, name: _("one cut"), ...hover },
    { type: "scatter", mode: "lines", x: n, y: average, line: { color: INK.chalk, width: 2.5 }, name: _("moving average"), ...hover },
    { type: "scatter", mode: "lines", x: n, y: above, line: { color: INK.attention, width: 4.5 }, name: _("heavier than fresh"), connectgaps: false, ...hover },
  ];
  const last = n.at(-1);
  const line = (y, dash, color) => ({ type: "line", x0: n[0], x1: last, y0: y, y1: y, line: { color, width: 1.5, dash } });
  const note = (y, text, color) => ({ x: 0, xref: "paper", xanchor: "left", y, yanchor: "bottom", text, showarrow: false, font: { ...FONT, color } });
  const layout = {
    paper_bgcolor: "transparent", plot_bgcolor: "transparent", font: FONT, showlegend: false, margin: { l: 60, r: 12, t: 12, b: 44 }, hovermode: "closest",
    xaxis: { title: { text: _("cuts since it was sharpened"), standoff: 6 }, gridcolor: "#2a271d", zeroline: false, fixedrange: true },
    yaxis: { title: { text: _("load against fresh, %") }, gridcolor: "#2a271d", zeroline: false, range: [-70, Math.max(120, Math.max(...average) + 30)], fixedrange: true },
    shapes: [line(0, "solid", INK.dust), line(limit, "dash", INK.attention)],
    annotations: [note(0, _("fresh"), INK.dust), note(limit, _("limit, +{percent} %", { percent: Math.round(limit) }), INK.attention)],
  };
  Plotly.react(place, data, layout, { displayModeBar: false, responsive: true });
  place.dataset.painted = "yes";
}

// The ribbons: what a saw did today against the planned time. Plotly draws them, loaded after the numbers stand.
import { _ } from "../desk/speech.js";

const HOUR = 3_600_000;
const NORMAL = "#55c493";
const DUST = "#b3ab98";
const DANGER = "#ff7768";

// Height and hatch tell the states apart without colour.
const LOOKS = {
  OFFLINE: { height: 1, fillcolor: "rgba(0,0,0,0)", fillpattern: { shape: "/", fgcolor: "#8a826f", bgcolor: "rgba(0,0,0,0)", size: 7, solidity: 0.18 } },
  STANDBY: { height: 0.1, fillcolor: DUST },
  READY: { height: 0.46, fillcolor: DUST },
  WORKING: { height: 1, fillcolor: NORMAL, mode: "lines" },
  ERROR: { height: 1, fillcolor: DANGER, fillpattern: { shape: "|", fgcolor: DANGER, bgcolor: "#16150f", size: 6, solidity: 0.6 } },
};

/** The Plotly figure of one saw's ribbon, `width` pixels wide: {data, layout}. Pure; a test holds it against Plotly's schema. */
export function ribbonFigure(pieces, planned, start, end, now, width) {
  // A cut of some seconds is less than a pixel wide: an outline lets each be seen, as long as there is room between them.
  const outline = Math.min(1, (width / ((end - start) / HOUR)) / 170);
  const data = Object.entries(LOOKS).map(([state, { height, ...look }]) => {
    const x = [];
    const y = [];
    pieces.forEach((piece, index) => {
      if (piece.state !== state) return;
      const a = Math.max(Date.parse(piece.start), start);
      const b = Math.min(index === pieces.length - 1 ? now : Date.parse(piece.end), end);
      if (b <= a) return;
      x.push(a, a, b, b, null);
      y.push(0, height, height, 0, null);
    });
    return { type: "scatter", name: state, x, y, mode: "none", line: { color: look.fillcolor, width: outline }, hoveron: "fills", fill: "toself", hoverinfo: "skip", ...look };
  });
  const shapes = planned.map((span) => ({
    type: "rect", layer: "below", xref: "x", yref: "paper", y0: 0, y1: 1,
    x0: Date.parse(span.start), x1: Date.parse(span.end), fillcolor: "#2a271d", line: { width: 0 },
  }));
  for (const span of planned) {
    for (const level of [0, 1]) {
      shapes.push({
        type: "line", layer: "above", xref: "x", yref: "paper", y0: level, y1: level,
        x0: Date.parse(span.start), x1: Date.parse(span.end), line: { color: DUST, width: 1.5 },
      });
    }
  }
  shapes.push({ type: "line", xref: "x", yref: "paper", x0: now, x1: now, y0: 0, y1: 1, line: { color: "#f1ebdc", width: 2 } });
  const bare = { visible: false, fixedrange: true };
  return {
    data,
    layout: {
      xaxis: { ...bare, range: [start, end] },
      yaxis: { ...bare, range: [0, 1] },
      margin: { l: 0, r: 0, t: 0, b: 0 },
      paper_bgcolor: "rgba(0,0,0,0)",
      plot_bgcolor: "rgba(0,0,0,0)",
      showlegend: false,
      shapes,
    },
  };
}

export class Ribbons {
  #url; #loading = null;

  constructor(url) { this.#url = url; }

  /** Draw every ribbon; the first call only fetches Plotly, and draws when it is there. */
  paint(shop, rows) {
    if (!globalThis.Plotly) {
      this.#loading ??= new Promise((done, failed) => {
        const script = document.createElement("script");
        script.src = this.#url;
        script.onload = done;
        script.onerror = failed;
        requestAnimationFrame(() => setTimeout(() => document.head.append(script)));
      }).then(() => this.paint(shop, rows), () => { this.#loading = null; });
      return;
    }
    const { start, end } = shop.window();
    for (const saw of shop.wall.saws) {
      const element = rows.ribbon(saw.saw);
      if (!element) continue;
      // While the line is down the ribbon stops at the last thing known.
      const until = shop.state(saw) === "OFFLINE" && saw.last_reading ? lastKnown(saw, shop) : shop.now();
      const { width, height } = element.getBoundingClientRect();
      const { data, layout } = ribbonFigure(saw.ribbon, shop.wall.planned, start, end, until, width);
      Plotly.react(element, data, { ...layout, width, height }, { staticPlot: true, displayModeBar: false });
      element.setAttribute("aria-label", _("{saw}: states since {time}", { saw: saw.title, time: shop.words.clock(start) }));
      element.dataset.painted = saw.ribbon.length;
    }
  }
}

function lastKnown(saw, shop) {
  return shop.lost ? Date.parse(saw.last_reading) : shop.now();
}

// The logbook: keeps the view, asks for what lies in it, and lets people say what is wrong.
import { _ } from "../desk/speech.js";
import { ask, iso } from "../desk/ask.js";
import { Zone } from "../desk/days.js";
import { keepRole } from "../desk/who.js";
import { sheetFigure, spansOf } from "./chart.js";
import { Pad } from "./pad.js";
import { Panel } from "./panel.js";
import { Records, keyOf } from "./records.js";
import { drawStrip, onStrip } from "./strips.js";
import { at, trouble } from "../desk/page.js";

const saw = document.body.dataset.saw;
const records = new Records(saw);
const who = keepRole(at("who"));
const HOUR = 3_600_000;
const SHORTEST = 1000;
const LONGEST = 25 * HOUR;

let zone, now, view, chosen = null, panel, pad;
let day = { from: 0, to: 0, states: [], cuts: [] };
let hour = { from: 0, to: 0 };
let sheet = { motor: [], lock: [], door: [], silences: [], cuts: [], top: 10, readingsFrom: null };
let band = null, asking = null, undo = null;

const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
const inView = () => day.cuts.filter((c) => c.to > view[0] && c.from < view[1]);
const running = (cut) => cut.end === null;

/** Look at a period; `remember` puts it into the page's address. */
function look(from, to, { wait = 0, keep = false } = {}) {
  const span = clamp(to - from, SHORTEST, LONGEST);
  const middle = (from + to) / 2;
  view = [middle - span / 2, middle + span / 2];
  if (!keep && band) drop();
  history.replaceState(null, "", `?from=${iso(view[0])}&to=${iso(view[1])}`);
  paint();
  clearTimeout(look.timer);
  look.timer = setTimeout(fetchView, wait);
}

async function fetchView() {
  asking?.abort();
  asking = new AbortController();
  const { signal } = asking;
  const [from, to] = view;
  const margin = Math.max((to - from) / 2, 12_000); // for short pans, and for the switches' reports every 10 s
  try {
    const [start, end] = zone.day((from + to) / 2);
    const jobs = [records.trace(from - margin, to + margin, clamp(Math.round(at("chart").clientWidth * 3), 600, 6000), signal)];
    if (start !== day.from || fetchView.stale) jobs.push(fetchDay(start, end, signal));
    const [trace] = await Promise.all(jobs);
    Object.assign(sheet, trace);
    trouble(null);
  } catch (error) {
    trouble(error);
    return;
  }
  paint();
  at("chart").dataset.painted = `${iso(from)}/${iso(to)}`;
}

async function fetchDay(start, end, signal) {
  ({ now } = await present());
  const until = Math.min(end, Math.max(now, start + 1));
  const [states, cuts, silences] = await Promise.all([
    records.states(start, until, signal), records.cuts(start, end, now, signal), records.silences(start, end, now, signal),
  ]);
  const offline = states.filter((s) => s.state === "OFFLINE").map((s) => [Date.parse(s.start), Date.parse(s.end)]);
  day = { from: start, to: end, states, cuts };
  sheet.silences = offline.length ? offline : silences;
  fetchView.stale = false;
}

async function present() {
  const site = await ask("/api/v1/saws");
  zone ??= new Zone(site.zone);
  return { now: Date.parse(site.now), mine: site.saws.find((s) => s.saw === saw) };
}

function paint() {
  if (!zone) return;
  const [from, to] = view;
  const middle = (from + to) / 2;
  const [start, end] = zone.day(middle);
  at("date").value = zone.date(middle);
  at("day-name").textContent = zone.long(middle);
  const near = zone.offset(start);
  hour.from = clamp(Math.floor((middle + near) / HOUR) * HOUR - near, start, end - HOUR);
  hour.to = hour.from + HOUR;
  at("hour-name").textContent = `${zone.minutes(hour.from)} – ${zone.minutes(hour.to)}`;
  const same = day.from === start;
  const strip = { states: same ? day.states : [], cuts: same ? day.cuts : [], now };
  drawStrip(at("day-strip"), zone, { ...strip, from: start, to: end, view: [hour.from, hour.to] });
  drawStrip(at("hour-strip"), zone, { ...strip, ...hour, view, tight: true });
  const passed = Math.round((hour.from - start) / 60_000); // minutes since midnight, as a slider tells them
  for (const [name, value] of [["valuemin", 0], ["valuemax", Math.round((end - start) / 60_000)], ["valuenow", passed], ["valuetext", zone.minutes(hour.from)]]) {
    at("day-strip").setAttribute(`aria-${name}`, value);
  }
  const clock = to - from < 120_000 ? (t) => zone.tenths(t) : (t) => zone.seconds(t);
  at("aged").hidden = !(sheet.readingsFrom > from);
  at("span").textContent = `${clock(from)} – ${clock(to)}`;
  for (const button of document.querySelectorAll("[data-span]")) button.setAttribute("aria-pressed", String(Math.abs(to - from - button.dataset.span * 1000) < 50));
  paintSheet();
  panel.list(inView(), chosen);
}

function paintSheet() {
  if (!globalThis.Plotly) return;
  const element = at("chart");
  const [from, to] = view;
  const highest = sheet.motor.reduce((m, p) => (p.t >= from && p.t <= to && p.high > m ? p.high : m), 0);
  sheet.top = Math.max(2, highest * 1.12);
  const until = Math.min(now, sheet.motor.at(-1)?.t ?? now);
  const figure = sheetFigure({ ...sheet, cuts: day.cuts, chosen, lock: spansOf(sheet.lock, true, until), door: spansOf(sheet.door, false, until) }, zone, view, element.clientWidth, element.clientHeight);
  Plotly.react(element, figure.data, { ...figure.layout, width: element.clientWidth, height: element.clientHeight }, { displayModeBar: false, scrollZoom: true, doubleClick: false });
  if (!paintSheet.listening) {
    paintSheet.listening = true;
    element.on("plotly_relayout", (change) => {
      const range = change["xaxis.range"] ?? (change["xaxis.range[0]"] !== undefined ? [change["xaxis.range[0]"], change["xaxis.range[1]"]] : null);
      if (range) look(+range[0], +range[1], { wait: 150, keep: true });
    });
    listenForClicks(element);
  }
  if (pad.open) {
    pad.place();
    if (band) pad.mark(band);
  }
}

/** Where the chart's plane lies in its frame, and which time a pixel of it means. */
function area() {
  const { xaxis, _size: size } = at("chart")._fullLayout;
  const [from, to] = xaxis.range;
  return {
    left: size.l, top: size.t, width: size.w, height: size.h,
    time: (px) => from + (px / size.w) * (to - from),
    px: (ms) => ((ms - from) / (to - from)) * size.w,
  };
}

function listenForClicks(element) {
  let down = null;
  element.addEventListener("pointerdown", (event) => { down = [event.clientX, event.clientY]; }, true);
  element.addEventListener("pointerup", (event) => {
    if (!down || Math.hypot(event.clientX - down[0], event.clientY - down[1]) > 6) return;
    const { left, time } = area();
    const t = time(event.clientX - element.getBoundingClientRect().left - left);
    const slack = ((view[1] - view[0]) / element.clientWidth) * 6; // a finger and a thin cut
    const hit = inView().filter((c) => c.from - slack <= t && t <= c.to + slack).sort((a, b) => Math.abs(a.from + a.to - 2 * t) - Math.abs(b.from + b.to - 2 * t));
    choose(hit[0]?.key ?? null);
  }, true);
}

function choose(key, { centre = false } = {}) {
  chosen = key;
  const cut = day.cuts.find((c) => c.key === key);
  if (!cut) panel.nothing(); else panel.cut(cut, running(cut));
  if (cut && centre && cut.to - cut.from < (view[1] - view[0]) / 60) { // too thin to see: go nearer
    const half = Math.max(5 * (cut.to - cut.from), 10_000);
    look((cut.from + cut.to) / 2 - half, (cut.from + cut.to) / 2 + half);
  } else paint();
}

async function afterSaying(text, id, key) {
  fetchView.stale = true;
  await fetchView();
  chosen = key;
  choose(key);
  undo = id;
  at("said").querySelector("span").textContent = text;
  at("said").querySelector("button").hidden = id === null;
  at("said").hidden = false;
  clearTimeout(afterSaying.timer);
  afterSaying.timer = setTimeout(() => { at("said").hidden = true; }, 12_000);
}

async function attempt(work) {
  try {
    await work();
  } catch (error) {
    trouble(error);
  }
}

function drop() {
  band = null;
  pad.open = false;
  at("draw").setAttribute("aria-pressed", "false");
  choose(null);
}

/** A drawn band, kept off the cuts beside it and off the future. */
function trimmed([from, to]) {
  const middle = (from + to) / 2;
  for (const cut of day.cuts) {
    if (cut.kind === "none") continue;
    if (cut.to > from && cut.to <= middle) from = cut.to;
    if (cut.from < to && cut.from >= middle) to = cut.from;
  }
  return [from, Math.min(to, now)];
}

const acts = {
  choose: (key) => choose(key, { centre: true }),
  noCut: (cut) => attempt(async () => {
    const mark = await records.say({ kind: "no_cut", start: cut.start, end: cut.end, who: who() });
    await afterSaying(_("Marked “no cut”: it does not count any more."), mark.id, keyOf("none", cut.start));
  }),
  takeBack: (cut) => attempt(async () => {
    await records.takeBack(cut.mark.id, who());
    await afterSaying(cut.kind === "none" ? _("It counts again.") : _("The drawn cut is taken back."), null, cut.kind === "none" ? keyOf("counted", cut.start) : null);
  }),
  keep: (span, direction) => attempt(async () => {
    const mark = await records.say({ kind: "missed_cut", start: iso(span[0]), end: iso(span[1]), direction, who: who() });
    drop();
    await afterSaying(_("The drawn cut counts."), mark.id, keyOf("drawn", mark.cut.start));
  }),
  drop,
};

function guessDirection([from, to]) {
  const spans = (wanted) => spansOf(sheet.lock, wanted, to).reduce((sum, [a, b]) => sum + Math.max(0, Math.min(b, to) - Math.max(a, from)), 0);
  const [locked, free] = [spans(true), spans(false)];
  return locked + free < (to - from) / 2 ? "unknown" : locked > free ? "vertical" : "horizontal";
}

function shift(part) { const d = (view[1] - view[0]) * part; look(view[0] + d, view[1] + d); }
function zoom(factor) { const m = (view[0] + view[1]) / 2; const h = ((view[1] - view[0]) / 2) * factor; look(m - h, m + h); }
/** Another day, at the same time of day if it was worked then, else at its first cut. */
async function toDay(date) {
  const start = zone.midnight(date);
  const same = start + (view[0] - zone.day((view[0] + view[1]) / 2)[0]);
  look(same, same + view[1] - view[0]);
}

function listen() {
  onStrip(at("day-strip"), () => zone.day((view[0] + view[1]) / 2), (t) => {
    const [start, end] = zone.day(t);
    const from = clamp(t - HOUR / 2, start, end - HOUR);
    look(from, from + HOUR);
  });
  onStrip(at("hour-strip"), () => [hour.from, hour.to], (t) => {
    const half = Math.min((view[1] - view[0]) / 2, 2 * 60_000);
    look(t - half, t + half);
  });
  at("day-strip").addEventListener("keydown", (event) => {
    if (event.key === "ArrowLeft") shift(-HOUR / (view[1] - view[0]));
    if (event.key === "ArrowRight") shift(HOUR / (view[1] - view[0]));
  });
  for (const button of document.querySelectorAll("[data-span]")) button.addEventListener("click", () => zoom((button.dataset.span * 1000) / (view[1] - view[0])));
  at("in").addEventListener("click", () => zoom(0.5));
  at("out").addEventListener("click", () => zoom(2));
  at("earlier").addEventListener("click", () => shift(-0.5));
  at("later").addEventListener("click", () => shift(0.5));
  at("day-before").addEventListener("click", () => toDay(zone.date(day.from - HOUR)));
  at("day-after").addEventListener("click", () => toDay(zone.date(day.to + HOUR)));
  at("date").addEventListener("change", () => { if (at("date").value) toDay(at("date").value); });
  at("newest").addEventListener("click", newest);
  at("draw").addEventListener("click", () => {
    if (pad.open) return drop();
    chosen = null;
    pad.open = true;
    at("draw").setAttribute("aria-pressed", "true");
    panel.drawing();
    paint();
  });
  at("said").querySelector("button").addEventListener("click", () => attempt(async () => {
    const mark = await records.takeBack(undo, who());
    const cut = day.cuts.find((c) => c.mark?.id === mark.id);
    await afterSaying(_("Undone."), null, mark.kind === "no_cut" && cut ? keyOf("counted", cut.start) : null);
  }));
  addEventListener("resize", paint);
  setInterval(() => { // the present moves on while somebody looks at it
    if (view[1] > now - 60_000 && !band) {
      fetchView.stale = true;
      fetchView();
    }
  }, 15_000);
}

async function newest() {
  const site = await present();
  now = site.now;
  const last = site.mine.last_reading ? Date.parse(site.mine.last_reading) : now;
  fetchView.stale = true;
  look(last - 9.5 * 60_000, last + 0.5 * 60_000);
}

async function begin() {
  const asked = new URLSearchParams(location.search);
  const [from, to] = [Date.parse(asked.get("from")), Date.parse(asked.get("to"))];
  ({ now } = await present());
  pad = new Pad(at("pad"), at("band"), area, (ends) => {
    band = trimmed(ends);
    pad.mark(band);
    panel.drawn(band, guessDirection(band));
  });
  panel = new Panel(at("chosen"), at("count"), at("cuts"), zone, acts);
  panel.nothing();
  listen();
  if (to > from) look(from, to); else await newest();
}

begin().catch(trouble);

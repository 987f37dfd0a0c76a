// Setting a saw up: shows the live current, keeps the times of the steps in the address, and says what the trial says.
import { _, decimal, ngettext, separators } from "../desk/speech.js";
import { ask, iso } from "../desk/ask.js";
import { Zone, ticks } from "../desk/days.js";
import { keepRole, named } from "../desk/who.js";
import { at, trouble } from "../desk/page.js";

const saw = document.body.dataset.saw;
const who = keepRole(at("who"));
const ORDER = ["off", "idle", "cuts", "stop", "end"];
const NEXT = {
  none: _("the motor is off: begin"), off: _("switch the motor on now: next step"), idle: _("about to cut: next step"),
  cuts: _("cuts are made, switch off now: next step"), stop: _("it stands still: finish"), end: null,
};
const WORDS = { good: _("in order"), note: _("to know"), attention: _("look here"), fault: _("mend first") };
const STEP = { off: _("off"), idle: _("idle"), cuts: _("cuts"), stop: _("stop"), end: _("end") };
const MINUTES = 3;

let zone, ahead = 0; // how far the server's clock is ahead of this device's
let steps = readSteps();

function readSteps() {
  const asked = new URLSearchParams(location.search);
  return Object.fromEntries(ORDER.filter((step) => Date.parse(asked.get(step))).map((step) => [step, Date.parse(asked.get(step))]));
}

function rememberSteps() {
  const text = ORDER.filter((step) => steps[step]).map((step) => `${step}=${iso(steps[step])}`).join("&");
  history.replaceState(null, "", text ? `?${text}` : location.pathname);
}

const now = () => Date.now() + ahead;
const moment = (text) => `${zone.long(Date.parse(text))} ${zone.minutes(Date.parse(text))}`;
const current = () => ORDER.filter((step) => steps[step]).at(-1) ?? "none";

function paintSteps() {
  const here = current();
  for (const item of document.querySelectorAll("[data-step]")) {
    const place = ORDER.indexOf(item.dataset.step);
    const reached = ORDER.indexOf(here);
    item.classList.toggle("done", place < reached);
    item.classList.toggle("here", place === reached);
    if (place === reached) item.setAttribute("aria-current", "step"); else item.removeAttribute("aria-current");
  }
  at("next").hidden = NEXT[here] === null;
  at("next").textContent = NEXT[here] ?? "";
  at("again").hidden = here === "none";
}

/** Plotly figure of the live current, with the steps as lines. */
function figure(motor, from, to, width) {
  const top = Math.max(2, motor.reduce((m, p) => Math.max(m, p.high ?? 0), 0) * 1.1);
  const marks = ticks(zone, from, to, Math.max(2, Math.floor(width / 90)));
  const shapes = [];
  const annotations = [];
  for (const step of ORDER) {
    if (!steps[step] || steps[step] < from || steps[step] > to) continue;
    shapes.push({ type: "line", x0: steps[step], x1: steps[step], yref: "paper", y0: 0, y1: 1, line: { color: "#f3c44c", width: 1, dash: "dot" } });
    annotations.push({ x: steps[step], yref: "paper", y: 1, xanchor: step === "end" ? "right" : "left", yanchor: "top", text: STEP[step], showarrow: false, font: { color: "#f3c44c", size: 12 } });
  }
  const axis = { zeroline: false, gridcolor: "#2a271d", color: "#b3ab98", fixedrange: true };
  return {
    data: [{ type: "scatter", mode: "lines", x: motor.map((p) => Date.parse(p.t)), y: motor.map((p) => p.high), line: { color: "#f1ebdc", width: 1.6 }, hoverinfo: "skip" }],
    layout: {
      xaxis: { ...axis, type: "linear", range: [from, to], tickvals: marks.map(([t]) => t), ticktext: marks.map(([, text]) => text) },
      yaxis: { ...axis, range: [0, top], ticksuffix: " A", nticks: 5 },
      margin: { l: 50, r: 6, t: 6, b: 24 }, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
      font: { family: "Bitter, serif", color: "#b3ab98" }, showlegend: false, separators, shapes, annotations,
    },
  };
}

async function watch() {
  try {
    const one = await ask(`/api/v1/saws/${saw}`);
    const last = one.last_reading ? Date.parse(one.last_reading) : null;
    const age = one.age_seconds;
    at("figure").textContent = one.amps === null ? "–" : `${decimal(one.amps, 2)} A`;
    at("heard").className = last === null || age > 15 ? "silent" : "";
    at("heard").textContent = last === null ? _("nothing heard from the box yet") : age > 15 ? _("silent since {time}", { time: zone.seconds(last) }) : switches(one);
    // A finished trial stays in view; else the last minutes run by.
    const to = steps.end ? steps.end + 5000 : now();
    const from = steps.end ? steps.off - 5000 : to - MINUTES * 60_000;
    const trace = await ask(`/api/v1/saws/${saw}/trace?from=${iso(from)}&to=${iso(to)}&points=1200`);
    if (globalThis.Plotly) {
      const width = at("chart").clientWidth;
      const { data, layout } = figure(trace.motor, from, to, width);
      Plotly.react(at("chart"), data, { ...layout, width, height: at("chart").clientHeight }, { staticPlot: true, displayModeBar: false });
      at("chart").dataset.painted = trace.motor.length;
    }
    if (steps.off) await look();
    trouble(null);
  } catch (error) {
    trouble(error);
  }
}

function switches(one) {
  const lock = one.locked === null ? _("lock not heard") : one.locked ? _("beam locked") : _("beam free");
  const door = one.door_closed === null ? _("door not heard") : one.door_closed ? _("door closed") : _("door open");
  return `${lock}, ${door}`;
}

function row(finding) {
  const item = document.createElement("li");
  item.className = finding.level;
  item.dataset.code = finding.code;
  const sign = document.createElement("b");
  sign.textContent = WORDS[finding.level];
  const text = document.createElement("p");
  text.textContent = finding.text;
  item.append(sign, text);
  if (finding.what_to_do) {
    const todo = document.createElement("p");
    todo.className = "todo";
    todo.textContent = finding.what_to_do;
    item.append(todo);
  }
  return item;
}

const query = () => ORDER.filter((step) => steps[step]).map((step) => `${step}=${iso(steps[step])}`).join("&");

async function look() {
  if (look.settled === query()) return;
  const asked = query();
  const found = await ask(`/api/v1/saws/${saw}/calibration?${asked}`);
  const rank = ["fault", "attention", "good", "note"];
  const findings = found.findings.toSorted((a, b) => rank.indexOf(a.level) - rank.indexOf(b.level));
  at("findings").replaceChildren(...findings.map(row));
  at("keep").hidden = !found.sound;
  if (found.sound) {
    const { on_ma: on, on_band_ma: band } = found.settings;
    at("follow").textContent = on ? _("Setting that follows: the motor is on from {on} A, ± {band} A.", { on: decimal(on / 1000, 2), band: decimal(band / 1000, 2) }) : _("The usual settings fit this motor.");
  }
  if (steps.end && Date.parse(found.now) > steps.end + 15_000) look.settled = asked; // the box may be some seconds late
}

/** What was learned of the saw, in two sentences: of its brake, and of its idle. */
function learnedText(known) {
  const span = (range, digits) => ({ least: decimal(range.least, digits), most: decimal(range.most, digits) });
  const brake = known.brake_seen === null ? _("whether its brake’s current is seen is not known yet.")
    : !known.brake_seen ? _("its brake’s current is not seen.")
    : known.brake_seconds ? _("its brake’s current is seen, for {least} to {most} s.", span(known.brake_seconds, 1))
    : _("its brake’s current is seen.");
  const idle = known.idle_amps ? _("Idle takes {least} to {most} A.", span(known.idle_amps, 2)) : _("What idle takes is not known yet.");
  const from = ngettext("Learned from 1 stop: {brake}", "Learned from {n} stops: {brake}", known.stops, { brake });
  return `${from} ${idle} ${_("Known since {time}.", { time: moment(known.at) })}`;
}

async function history_() {
  const { versions, learned } = await ask(`/api/v1/saws/${saw}/settings`);
  if (learned) at("learned").textContent = learnedText(learned);
  if (versions.length) {
    at("versions").replaceChildren(...versions.map((v) => {
      const item = document.createElement("li");
      const idle = v.seen?.idle_amps ? `, ${_("idle {n} A", { n: decimal(v.seen.idle_amps, 2) })}` : "";
      item.textContent = _("from {time}, by {who}", { time: moment(v.valid_from), who: named(v.who) }) + idle;
      return item;
    }));
  }
  const score = await ask(`/api/v1/saws/${saw}/score?from=${iso(now() - 56 * 86_400_000)}&to=${iso(now())}`);
  if (score.days.length) {
    const share = (x) => (x === null ? "–" : `${decimal(100 * x, 1)} %`);
    at("score").textContent = ngettext(
      "On 1 day with marks: {right} cuts right, {wrong} were none, {missed} missed. Precision {precision}, recall {recall}. What nobody marked on that day is taken as right.",
      "On {n} days with marks: {right} cuts right, {wrong} were none, {missed} missed. Precision {precision}, recall {recall}. What nobody marked on those days is taken as right.",
      score.days.length, { right: score.right, wrong: score.wrong, missed: score.missed, precision: share(score.precision), recall: share(score.recall) },
    );
  }
}

at("next").addEventListener("click", () => {
  steps[ORDER[ORDER.indexOf(current()) + 1]] = now();
  at("kept").hidden = true;
  rememberSteps();
  paintSteps();
  watch();
});

at("again").addEventListener("click", () => {
  steps = {};
  look.settled = undefined;
  at("kept").hidden = at("keep").hidden = true;
  at("findings").replaceChildren(row({ code: "none", level: "note", text: _("Begin with the motor off."), what_to_do: "" }));
  rememberSteps();
  paintSteps();
});

at("save").addEventListener("click", async () => {
  try {
    const body = Object.fromEntries(ORDER.map((step) => [step, iso(steps[step])]));
    const kept = await ask(`/api/v1/saws/${saw}/settings`, { method: "POST", body: { ...body, who: who() } });
    at("keep").hidden = true;
    at("kept").textContent = _("Kept, in force from {time}. The collector takes them when the saw rests; kerfbook derive takes them to the past.", { time: moment(kept.valid_from) });
    await history_();
    at("kept").hidden = false;
  } catch (error) {
    trouble(error);
  }
});

async function begin() {
  const site = await ask("/api/v1/saws");
  zone = new Zone(site.zone);
  ahead = Date.parse(site.now) - Date.now();
  paintSteps();
  await watch();
  await history_();
  setInterval(watch, 1000);
}

begin().catch(trouble);

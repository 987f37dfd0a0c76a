// The operator's page of a saw. Shows what the server said last; what is said here is kept on this phone until it is delivered.
import { _ } from "../desk/speech.js";
import { newKey, Queue as BladeQueue } from "../blade/queue.js";
import { ask } from "../desk/ask.js";
import { keepRole } from "../desk/who.js";
import { jobRow } from "../tending/jobs.js";
import { Queue } from "../tending/queue.js";
import { When } from "../tending/when.js";
import * as view from "./view.js";

const at = (id) => document.getElementById(id);
const saw = document.body.dataset.saw;
const when = new When(document.body.dataset.zone);
const KEPT = `kerfbook.saw.${saw}`;
const POLL = 5_000;

const who = keepRole(at("who"));
const role = () => at("who").selectedOptions[0].dataset.role;

let known = null; // the newest answer of the server
let stale = false; // it is from an earlier visit, or the server does not answer now
let undelivered = 0;
const done = new Set(); // occurrences ticked here, until the server says so too
const reported = []; // faults reported here, until the server lists them

const blades = new BladeQueue((delivered) => { paint(); if (delivered) load(); });
const queue = new Queue({
  waiting: (number) => { undelivered = number; paint(); },
  said: () => { reported.length = 0; load(); },
  refused: (error) => { reported.length = 0; done.clear(); view.trouble(at("trouble"), error); load(); },
});

function keep(answer) { try { localStorage.setItem(KEPT, JSON.stringify(answer)); } catch { /* for this visit only */ } }
function kept() { try { return JSON.parse(localStorage.getItem(KEPT)); } catch { return null; } }

async function load() {
  try {
    known = await ask(`/api/v1/saws/${saw}/at-hand`, { signal: AbortSignal.timeout(10_000) });
    stale = false;
    keep(known);
  } catch {
    known ??= kept();
    stale = true;
  }
  paint();
  document.body.dataset.ready = "yes";
}

// The openings that neither the server nor this phone has an answer for.
function openings() {
  const mine = blades.waiting.filter((e) => e.saw === saw).map((e) => Date.parse(e.body.at));
  return known.openings.filter((o) => !mine.some((t) => t >= Date.parse(o.start) && t <= Date.parse(o.end)));
}

function cleaned(opening) {
  blades.say(saw, { key: newKey(), who: who(), kind: "cleaned", at: opening.at });
  paint();
}

function tick(job, moment, note) {
  done.add(job.task + job.occurrence);
  queue.add("/api/v1/maintenance/ticks", {
    task: job.task, saw, occurrence: job.occurrence, who: who(), role: role(), note, done: moment === null ? null : new Date(moment).toISOString(),
  });
  paint();
}

function report(what) {
  const note = at("note").value.trim();
  reported.push({ what_words: known.whats[what], note, who: who(), said: new Date().toISOString() });
  queue.add(`/api/v1/saws/${saw}/faults`, { what, note, who: who(), role: role() });
  at("note").value = "";
  open(false);
  paint();
}

function open(opened) {
  at("what").hidden = !opened;
  at("say").setAttribute("aria-expanded", opened);
}

let drawn = ""; // the jobs as they were drawn: an open row stays open while nothing about it changes

function jobs() {
  const waiting = known.waiting.filter((job) => !done.has(job.task + job.occurrence));
  const state = JSON.stringify([waiting, known.today]);
  if (state === drawn) return;
  drawn = state;
  const tasks = Object.fromEntries(known.tasks.map((task) => [task.name, task]));
  document.querySelector("#todo .jobs").replaceChildren(...waiting.map((job) => jobRow(at("job"), job, {
    task: tasks[job.task], saw: "", cautions: known.cautions, today: known.today, when, say: tick,
  })));
  document.querySelector("#todo .none").hidden = waiting.length > 0;
}

function paint() {
  view.state(at("state"), { stale, undelivered: undelivered + blades.waiting.length, refused: blades.refused, drop: (key) => blades.drop(key), known, when });
  if (!known) { at("now").textContent = _("The server does not answer, and this phone has not seen this saw before."); return; }
  view.now(at("now"), known, stale, when);
  view.blade(document.querySelector("#blade p"), known);
  view.question(at("question"), { openings: openings(), choices: known.choices, saw, today: known.today, when, cleaned });
  jobs();
  view.faults(at("faults"), [...known.faults, ...reported], known.today, when);
  view.whats(document.querySelector("#what .grid"), known.whats, report);
}

at("say").addEventListener("click", () => open(at("what").hidden));
document.addEventListener("visibilitychange", () => { if (!document.hidden) load(); });
load();
blades.flush();
queue.send();
setInterval(() => { if (!document.hidden) load(); }, POLL);

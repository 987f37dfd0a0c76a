// The phone page of a saw's blade: one question, two taps. Shows what the server said last, and what this phone has said since.
import { _ } from "../desk/speech.js";
import { Zone } from "../desk/days.js";
import { signedOut } from "../desk/away.js";
import { keepRole } from "../desk/who.js";
import { newKey, Queue } from "./queue.js";
import * as view from "./view.js";

const at = (id) => document.getElementById(id);
const saw = document.body.dataset.saw;
const CACHE = `kerfbook.blade.state.${saw}`;
const who = keepRole(at("who"));
const scanned = new URLSearchParams(location.search).get("in");

let shop = null; // the newest answer of the server
let stale = false; // it is from an earlier visit, or the server does not answer now
let step = { name: "ask", tag: null, corrects: null, at: null };

const queue = new Queue((delivered) => { paint(); if (delivered) load(); });

function keep(answer) { try { localStorage.setItem(CACHE, JSON.stringify(answer)); } catch { /* kept for this visit only */ } }
function kept() { try { return JSON.parse(localStorage.getItem(CACHE)); } catch { return null; } }

async function load() {
  try {
    const answer = await fetch(`/api/v1/saws/${saw}/blade`, { cache: "no-store", signal: AbortSignal.timeout(10_000) });
    if (answer.status === 401) signedOut();
    if (!answer.ok) throw new Error(String(answer.status));
    shop = await answer.json();
    stale = false;
    keep(shop);
  } catch {
    shop ??= kept();
    stale = true;
  }
  paint();
}

/** Openings that neither the server nor this phone has an answer for. */
function waiting() {
  const mine = queue.waiting.filter((e) => e.saw === saw && !e.body.corrects).map((e) => Date.parse(e.body.at));
  return shop.waiting.filter((o) => !mine.some((t) => t >= Date.parse(o.start) && t <= Date.parse(o.end)));
}

/** The blade on the saw, with what this phone has said and not delivered. */
function sits() {
  const mine = queue.waiting.filter((e) => e.saw === saw && e.body.kind === "change" && e.body.tag && !e.body.corrects);
  const newest = mine.sort((a, b) => a.body.at.localeCompare(b.body.at)).at(-1);
  return newest && (!shop.blade?.since || newest.body.at >= shop.blade.since) ? { tag: newest.body.tag, kept: true } : shop.blade;
}

function say(body) {
  queue.say(saw, { key: newKey(), who: who(), ...body, ...(step.corrects ? { corrects: step.corrects } : {}) });
  step = { name: "done", tag: null, corrects: null, at: null };
  history.replaceState(null, "", location.pathname);
  paint();
}

const doing = {
  pick(tag) { step = { ...step, name: "fate", tag }; if (!outgoing()) return say({ kind: "change", at: when(), tag }); paint(); },
  fate(fate) { say({ kind: "change", at: when(), tag: step.tag, fate }); },
  cleaned() { say({ kind: "cleaned", at: when() }); },
  withdraw() { say({ kind: "withdrawn", at: when() }); },
  more() { step = { ...step, all: true }; paint(); },
  back() { step = { name: "ask", tag: null, corrects: null, at: null }; history.replaceState(null, "", location.pathname); paint(); },
  unseen() { step = { name: "ask", tag: null, corrects: null, at: shop.now, free: true }; paint(); scrollTo(0, 0); },
  time(text) { const ms = Date.parse(`${text}:00Z`); if (ms) step.at = new Date(ms - new Zone(shop.zone).offset(ms)).toISOString(); },
  correct(said) { step = { name: "ask", tag: null, corrects: said.id, at: said.at, free: true, was: said }; paint(); scrollTo(0, 0); },
  next() { step = { name: "ask", tag: null, corrects: null, at: null }; paint(); },
};

function when() { return step.at ?? waiting()[0]?.at ?? shop.now; }
function outgoing() { return step.corrects ? true : sits()?.tag; }

function paint() {
  if (!shop) { at("sits").textContent = _("The server does not answer, and this phone has not seen this saw before."); return; }
  const zone = new Zone(shop.zone);
  const asked = waiting();
  if (step.name === "ask" && scanned && location.search && !step.tag) step = { ...step, name: "fate", tag: scanned };
  if (step.name === "fate" && step.tag === scanned && !outgoing() && location.search) return say({ kind: "change", at: when(), tag: scanned });
  view.top(at("sits"), sits(), shop, zone);
  view.state(at("state"), queue, stale, shop, zone);
  view.ask(at("ask"), { step, shop, zone, asked, sits: sits(), when: when() }, doing);
  view.past(at("said"), shop, zone, doing);
  at("past").hidden = step.name !== "ask" && step.name !== "done";
}

at("unseen").addEventListener("click", doing.unseen);
addEventListener("visibilitychange", () => { if (!document.hidden) load(); });
load();
queue.flush();
setInterval(() => { if (step.name !== "fate" && !step.free) load(); }, 20_000);

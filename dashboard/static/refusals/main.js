// Refused messages, newest first, with what was sent beneath.
import { ask } from "../desk/ask.js";
import { _ } from "../desk/speech.js";
import { When } from "../tending/when.js";
import { at, make, trouble } from "../desk/page.js";

const when = new When(document.body.dataset.zone);
const AGAIN = 10_000; // ms
let older = null;
const seen = new Map(); // by number: one that a newer one pushes off the newest page stays on this one

/** A payload as a person can read it: text where it is text, else its bytes in hex. */
function readable(base64) {
  const bytes = Uint8Array.from(atob(base64), (c) => c.charCodeAt(0));
  const text = new TextDecoder().decode(bytes);
  return /[\u0000-\u0008\u000e-\u001f\ufffd]/.test(text) ? [...bytes].map((b) => b.toString(16).padStart(2, "0")).join(" ") : text;
}

function row(r) {
  const today = when.zone.date(Date.now());
  const times = r.occurrences === 1
    ? when.moment(r.last, today)
    : _("{n} times, {first} to {last}", { n: r.occurrences, first: when.moment(r.first, today), last: when.moment(r.last, today) });
  return make("li", { id: `refusal-${r.id}` },
    make("div", {}, make("p", { className: "whose", textContent: r.saw ?? _("no saw of this shop") }), make("p", { className: "stood", textContent: times })),
    make("div", {},
      make("p", { className: "why", lang: "en", textContent: r.reason }),
      make("details", {}, make("summary", { textContent: _("as sent") }),
        make("p", {}, make("code", { textContent: r.topic })), make("pre", { textContent: readable(r.excerpt_base64) }))));
}

function count(c) {
  return make("tr", {}, make("td", { textContent: c.saw ?? _("no saw of this shop") }),
    make("td", {}, make("code", { textContent: c.code })), make("td", { className: "number", textContent: c.count }));
}

/** What stands open stays open, though the page is painted anew. */
function paint(rows) {
  const list = document.querySelector("#newest ol");
  const open = new Set([...list.querySelectorAll("details[open]")].map((d) => d.closest("li").id));
  list.replaceChildren(...rows.map(row));
  for (const id of open) document.querySelector(`#${id} details`)?.setAttribute("open", "");
}

async function load() {
  const page = await ask("/api/v1/refusals?limit=50");
  const first = seen.size === 0;
  for (const r of page.refusals) seen.set(r.id, r);
  paint([...seen.values()].sort((a, b) => b.id - a.id));
  document.querySelector("#ever tbody").replaceChildren(...page.counts.map(count));
  at("ever").hidden = page.counts.length === 0;
  at("newest").hidden = page.refusals.length === 0;
  at("none").hidden = page.refusals.length > 0;
  if (first) older = page.next;
  at("older").hidden = older === null;
}

async function further() {
  const page = await ask(`/api/v1/refusals?limit=50&cursor=${older}`);
  for (const r of page.refusals) seen.set(r.id, r);
  older = page.next;
  await load();
}

const tried = (work) => work().then(() => { trouble(null); document.body.dataset.ready = "yes"; }, trouble);
at("older").addEventListener("click", () => tried(further));
await tried(load);
setInterval(() => tried(load), AGAIN);

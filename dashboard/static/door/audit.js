// The audit trail, newest first: a sentence each, with what was asked of the server beneath.
import { ask, iso } from "../desk/ask.js";
import { Zone } from "../desk/days.js";
import { _ } from "../desk/speech.js";
import { at, make, trouble } from "../desk/page.js";
import { filled, ROLES, when } from "./common.js";

const zone = new Zone(document.body.dataset.zone);
const form = at("find");
let next = null;
let asked = 0; // an answer to an earlier question is not shown under a later one

function row(e) {
  const beneath = make("details", {},
    make("summary", { textContent: _("as sent") }), make("code", { textContent: `${e.did} ${e.detail}` }), make("div", {}, make("code", { textContent: e.through })));
  return make("tr", {},
    make("td", {}, make("time", { dateTime: e.at, textContent: when(e.at) })),
    make("td", {}, e.said, beneath), make("td", {}, e.device, make("small", { textContent: ROLES[e.role] ?? e.role })));
}

/** What the form asks for; days are the shop's. */
function query() {
  const { from, to, ...rest } = filled(form);
  const days = { ...(from && { from: iso(zone.midnight(from)) }), ...(to && { to: iso(zone.day(zone.midnight(to) + 43_200_000)[1]) }) };
  return new URLSearchParams({ ...rest, ...days });
}

async function load(fresh) {
  const mine = (asked += 1);
  const wanted = query();
  at("csv").href = `/api/v1/audit?${new URLSearchParams([...wanted, ["format", "csv"], ["limit", "1000"]])}`;
  if (next && !fresh) wanted.set("before", next);
  try {
    const page = await ask(`/api/v1/audit?${wanted}`);
    if (mine !== asked) return;
    const body = at("trail").tBodies[0];
    if (fresh) body.replaceChildren();
    body.append(...page.entries.map(row));
    at("none").hidden = body.rows.length > 0;
    next = page.next;
    at("more").hidden = next === null;
    trouble(null);
  } catch (error) { trouble(error); }
}

async function fillWho() {
  const { people } = await ask("/api/v1/people");
  const names = people.map((p) => p.name);
  form.elements.who.append(...names.map((name) => make("option", { value: name, textContent: name })),
    make("option", { value: "unknown", textContent: _("somebody unknown") }));
}

form.addEventListener("submit", (event) => { event.preventDefault(); load(true); });
form.addEventListener("change", () => load(true));
form.addEventListener("reset", () => setTimeout(() => load(true)));
at("more").addEventListener("click", () => load(false));
fillWho().catch(trouble);
load(true);

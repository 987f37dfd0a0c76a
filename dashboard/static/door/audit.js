// The audit trail, newest first.
import { ask } from "../desk/ask.js";
import { _ } from "../desk/speech.js";
import { at, KINDS, make, ROLES, trouble, when } from "./common.js";

const ACTS = {
  "signed in": _("signed in"), "signed out": _("signed out"), opened: _("opened a TV"), "chose a password": _("chose a password"), paired: _("paired a phone"),
  "became the first owner": _("became the first owner"), "was refused: password": _("was refused: password"),
  "was refused: PIN": _("was refused: PIN"), "was refused: old password": _("was refused: old password"),
};
const WAYS = { ...KINDS, tv: _("TV"), address: _("address"), "command line": _("command line"), "on this computer": _("on this computer") };

/** "session 12" in the page's language. */
function way(text) {
  const [, name, number] = text.match(/^(.*?)( [\d.:a-f]+)?$/);
  return `${WAYS[name] ?? name}${number ?? ""}`;
}

let next = null;

function row(e) {
  const act = ACTS[e.did] ?? make("code", { textContent: e.did });
  const name = { unknown: _("somebody unknown"), visitor: _("visitor") }[e.who] ?? e.who;
  return make("tr", {},
    make("td", { textContent: when(e.at) }), make("td", {}, name, make("small", { textContent: ROLES[e.role] ?? e.role })),
    make("td", {}, act, make("small", {}, make("code", { textContent: e.detail }))), make("td", { textContent: way(e.through) }));
}

async function load() {
  try {
    const page = await ask(`/api/v1/audit${next ? `?before=${next}` : ""}`);
    at("trail").tBodies[0].append(...page.entries.map(row));
    next = page.next;
    at("more").hidden = next === null;
  } catch (error) { trouble(error); }
}

at("more").addEventListener("click", load);
load();

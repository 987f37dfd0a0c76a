// The audit trail, newest first.
import { ask } from "../desk/ask.js";
import { at, make, ROLES, trouble, when } from "./common.js";

let next = null;

async function load() {
  try {
    const page = await ask(`/api/v1/audit${next ? `?before=${next}` : ""}`);
    at("trail").tBodies[0].append(...page.entries.map((e) => make("tr", {},
      make("td", { textContent: when(e.at) }), make("td", {}, e.who, make("small", { textContent: ROLES[e.role] ?? e.role })),
      make("td", {}, e.did, make("small", { textContent: e.detail })), make("td", { textContent: e.through }))));
    next = page.next;
    at("more").hidden = next === null;
  } catch (error) { trouble(error); }
}

at("more").addEventListener("click", load);
load();

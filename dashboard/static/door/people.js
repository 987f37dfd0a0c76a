// People and what lets them in, for owners.
import { ask } from "../desk/ask.js";
import { _ } from "../desk/speech.js";
import { at, make, trouble } from "../desk/page.js";
import { filled, KINDS, RIGHTS, ROLES, when } from "./common.js";

async function act(method, path, body) {
  trouble();
  try { const answer = await ask(path, { method, body }); await load(); return answer; }
  catch (error) { trouble(error); return null; }
}

function button(text, action) {
  const made = make("button", { type: "button", textContent: text });
  made.addEventListener("click", action);
  return made;
}

function personRow(p) {
  if (p.erased) return make("tr", { className: "gone" }, make("td", { textContent: p.name }), make("td"), make("td", { textContent: _("erased {when}", { when: when(p.erased) }) }), make("td"));
  const role = make("select", { ariaLabel: _("role of {name}", { name: p.name }) }, ...Object.entries(ROLES).map(([value, textContent]) => make("option", { value, textContent, selected: value === p.role })));
  role.addEventListener("change", () => act("PATCH", `/api/v1/people/${p.id}`, { role: role.value }));
  const opens = [p.has_password && _("password"), p.has_pin && _("PIN")].filter(Boolean).join(", ") || _("a paired phone alone");
  return make("tr", { className: p.active ? "" : "gone" },
    make("td", { textContent: p.name }), make("td", {}, role), make("td", { textContent: p.active ? opens : _("shut out") }),
    make("td", {},
      button(p.active ? _("shut out") : _("let in again"), () => act("PATCH", `/api/v1/people/${p.id}`, { active: !p.active })),
      button(_("new password"), async () => { const made = await act("POST", "/api/v1/badges", { kind: "renewal", title: "-", person: p.id }); if (made) await showMade(made, p.name); }),
      button(_("new PIN"), () => { const said = prompt(_("New PIN of {name}, 4 to 8 digits", { name: p.name })); if (said) act("PATCH", `/api/v1/people/${p.id}`, { pin: said }); }),
      button(_("erase"), () => { if (confirm(_("Put a number in place of “{name}” everywhere, for ever?", { name: p.name }))) act("DELETE", `/api/v1/people/${p.id}`); })));
}

function badgeRow(b) {
  const end = b.mine ? make("span", { textContent: _("this one") }) : button(_("end it"), () => act("DELETE", `/api/v1/badges/${b.id}`));
  return make("tr", {}, make("td", {}, KINDS[b.kind] ?? b.kind, make("small", { textContent: [b.title, b.rights.map((right) => RIGHTS[right] ?? right).join(", ")].filter(Boolean).join(": ") })),
    make("td", { textContent: b.person ?? "" }), make("td", { textContent: when(b.seen) }), make("td", {}, end));
}

async function load() {
  try {
    const [{ people }, { badges }] = await Promise.all([ask("/api/v1/people"), ask("/api/v1/badges")]);
    at("people").tBodies[0].replaceChildren(...people.map(personRow));
    at("badges").tBodies[0].replaceChildren(...badges.map(badgeRow));
    at("hand").person.replaceChildren(...people.filter((p) => p.active).map((p) => make("option", { value: p.id, textContent: p.name })));
  } catch (error) { trouble(error); }
}

function fit() {
  const kind = at("hand").kind.value;
  for (const part of at("hand").querySelectorAll("[data-for]")) part.hidden = part.dataset.for !== kind;
}

const OUTSIDE = (document.body.dataset.address || location.origin).replace(/\/+$/, ""); // as others reach this server
const ALONE = ["localhost", "127.0.0.1", "[::1]"].includes(new URL(OUTSIDE).hostname);

async function showMade(made, name) {
  at("made").hidden = false;
  at("made").scrollIntoView({ block: "nearest" });
  const address = made.path ? `${OUTSIDE}${made.path}` : made.secret;
  at("made").querySelector("p").textContent = {
    invitation: _("Scan this with the phone within 15 minutes. It works once."),
    link: _("Open this address on the TV and keep it as its bookmark or home page. It works until you end it."),
    renewal: _("{name} opens this address, or scans it, and chooses a password. It works once, within a day. Until then the old one holds.", { name }),
    token: _("The program sends this as {header}.", { header: "“Authorization: Bearer …”" }),
  }[made.kind];
  if (ALONE && made.path) at("made").querySelector("p").append(" ", make("b", { textContent: _("This address works on this computer alone: set [web] address in kerfbook.toml.") }));
  at("made").querySelector("code").textContent = address;
  at("qr").hidden = made.kind === "token";
  if (made.kind === "token") return;
  const picture = await fetch("/people/qr", { method: "POST", body: address });
  at("qr").src = `data:image/svg+xml,${encodeURIComponent(await picture.text())}`;
}

at("add").addEventListener("submit", async (event) => {
  event.preventDefault();
  if (await act("POST", "/api/v1/people", filled(event.target))) event.target.reset();
});
at("hand").kind.addEventListener("change", fit);
at("hand").addEventListener("submit", async (event) => {
  event.preventDefault();
  const { kind, title, person } = filled(event.target);
  const rights = [...event.target.querySelectorAll("[name=rights]:checked")].map((box) => box.value);
  const body = { kind, title, ...(kind === "phone" ? { person: Number(person) } : {}), ...(kind === "token" ? { rights } : {}) };
  const made = await act("POST", "/api/v1/badges", body);
  if (made) { event.target.elements.title.value = ""; await showMade(made); }
});
fit();
load();

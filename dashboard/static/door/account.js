// One's own account.
import { ask } from "../desk/ask.js";
import { _ } from "../desk/speech.js";
import { at, make, trouble } from "../desk/page.js";
import { filled, KINDS, ROLES, when } from "./common.js";

async function held() {
  const { badges } = await ask("/api/v1/me/badges");
  at("held").hidden = false;
  at("held").querySelector("tbody").replaceChildren(...badges.map((b) => {
    const end = make("button", { type: "button", textContent: _("end it") });
    end.addEventListener("click", async () => {
      try { await ask(`/api/v1/me/badges/${b.id}`, { method: "DELETE" }); await held(); } catch (error) { trouble(error); }
    });
    return make("tr", {}, make("td", {}, KINDS[b.kind] ?? b.kind, make("small", { textContent: b.title })),
      make("td", { textContent: when(b.seen) }), make("td", {}, b.mine ? make("span", { textContent: _("this one") }) : end));
  }));
}

try {
  const me = await ask("/api/v1/me");
  at("me").textContent = me.visitor
    ? _("This is the demo: everybody at this computer may do everything, under any role.")
    : _("{name}, {role}. Let in by: {kind}.", { name: me.name, role: ROLES[me.role] ?? me.role, kind: KINDS[me.kind] ?? me.kind });
  at("secrets").hidden = me.kind !== "session";
  at("out").hidden = !me.signed_in;
  if (me.signed_in) await held();
  at("in").hidden = me.signed_in || me.visitor;
} catch (error) { trouble(error); }

at("secrets").addEventListener("submit", async (event) => {
  event.preventDefault();
  trouble();
  try {
    await ask("/api/v1/me/secrets", { method: "PUT", body: filled(event.target) });
    event.target.reset();
    at("said").textContent = _("Set.");
  } catch (error) { trouble(error); }
});

at("out").addEventListener("click", async () => {
  try { await ask("/api/v1/sign-out", { method: "POST" }); location.replace("/sign-in"); }
  catch (error) { trouble(error); }
});

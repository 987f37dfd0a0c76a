// What a QR code or a link opens. The secret stands behind "#", which browsers send to nobody.
import { ask } from "../desk/ask.js";
import { _ } from "../desk/speech.js";
import { at, trouble } from "../desk/page.js";
import { filled } from "./common.js";

const NEW_PASSWORD = "new-password.";
const said = location.hash.slice(1);
history.replaceState(null, "", "/enter"); // a TV's link stays in its bookmark, not in what others can scroll back to

async function show(secret) {
  const me = await ask("/api/v1/badges/shown", { method: "POST", body: { secret } });
  if (me.kind === "tv") { location.replace("/tv"); return; }
  at("paired").querySelector("b").textContent = me.kind === "post"
    ? _("This phone is paired for all who have a PIN.") : _("This phone is paired: {name}.", { name: me.name });
  if (me.kind === "post") at("paired").querySelector("a").href = "/sign-in";
  at("paired").hidden = false;
}

function choose(secret) {
  at("choose").hidden = false;
  at("choose").addEventListener("submit", async (event) => {
    event.preventDefault();
    trouble();
    try { await ask("/api/v1/sign-in/new-password", { method: "POST", body: { secret, ...filled(at("choose")) } }); location.replace("/"); }
    catch (error) { trouble(error); }
  });
}

try {
  if (!said) throw new Error(_("This address opens nothing by itself: scan the QR code again, or ask an owner for a new one."));
  if (said.startsWith(NEW_PASSWORD)) choose(said.slice(NEW_PASSWORD.length));
  else await show(said);
} catch (error) { trouble(error); }
at("wait").hidden = true;
addEventListener("hashchange", () => location.reload()); // another code, typed or scanned into this very page

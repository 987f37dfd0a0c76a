// What a QR code or a TV's link opens. The secret stands behind "#", which browsers send to nobody.
import { ask } from "../desk/ask.js";
import { _ } from "../desk/speech.js";
import { at, trouble } from "./common.js";

const secret = location.hash.slice(1);
history.replaceState(null, "", "/enter"); // a TV's link stays in its bookmark, not in what others can scroll back to
try {
  if (!secret) throw new Error(_("This address opens nothing by itself: scan the QR code again, or ask an owner for a new one."));
  const me = await ask("/api/v1/badges/shown", { method: "POST", body: { secret } });
  if (me.kind === "tv") location.replace("/tv");
  else {
    at("paired").querySelector("b").textContent = me.kind === "post"
      ? _("This phone is paired for all who have a PIN.") : _("This phone is paired: {name}.", { name: me.name });
    if (me.kind === "post") at("paired").querySelector("a").href = "/sign-in";
    at("paired").hidden = false;
  }
} catch (error) { trouble(error); }
at("wait").hidden = true;
addEventListener("hashchange", () => location.reload()); // another code, typed or scanned into this very page

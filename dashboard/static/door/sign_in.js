// Signing in: by password, by PIN on a shared phone, or as the first owner by the printed code.
import { ask } from "../desk/ask.js";
import { _ } from "../desk/speech.js";
import { at, make, trouble } from "../desk/page.js";
import { filled, goOn } from "./common.js";

const me = await ask("/api/v1/me").catch((error) => { trouble(error); return null; });
let person = null;
let digits = "";

function send(form, path) {
  form.addEventListener("submit", async (event) => {
    event.preventDefault();
    try { await ask(path, { method: "POST", body: filled(form) }); goOn(); }
    catch (error) { trouble(error); form.password.value = ""; }
  });
}

function show(id) { for (const part of ["first", "password", "post", "pad"]) at(part).hidden = part !== id; }

function press(key) {
  digits = key === "⌫" ? digits.slice(0, -1) : (digits + key).slice(0, 8);
  at("dots").textContent = "●".repeat(digits.length);
  at("go").disabled = digits.length < 4;
}

async function open() {
  try { await ask("/api/v1/sign-in/pin", { method: "POST", body: { person: person.id, pin: digits } }); goOn(); }
  catch (error) { trouble(error); digits = ""; press(""); }
}

if (me) {
  send(at("first"), "/api/v1/first-owner");
  send(at("password"), "/api/v1/sign-in");
  for (const who of me.people) {
    const button = make("button", { type: "button", textContent: who.name });
    button.addEventListener("click", () => { person = who; at("whose").textContent = who.name; digits = ""; press(""); trouble(); show("pad"); });
    at("names").append(make("li", {}, button));
  }
  for (const key of ["1", "2", "3", "4", "5", "6", "7", "8", "9", "⌫", "0"]) {
    const button = make("button", { type: "button", textContent: key });
    if (key === "⌫") button.setAttribute("aria-label", _("delete the last digit"));
    button.addEventListener("click", () => press(key));
    at("keys").append(button);
  }
  addEventListener("keydown", (event) => {
    if (at("pad").hidden) return;
    if (/^[0-9]$/.test(event.key)) press(event.key);
    else if (event.key === "Backspace") press("⌫");
    else if (event.key === "Enter" && digits.length >= 4) { event.preventDefault(); open(); }
  });
  at("go").addEventListener("click", open);
  at("other").addEventListener("click", () => { trouble(); show("post"); });
  show(!me.owned ? "first" : me.people.length ? "post" : "password");
}

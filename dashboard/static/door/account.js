// One's own account.
import { ask } from "../desk/ask.js";
import { at, filled, ROLES, trouble } from "./common.js";

try {
  const me = await ask("/api/v1/me");
  at("me").textContent = me.visitor ? "This is the demo: everybody at this computer may do everything, under any role." : `${me.name}, ${ROLES[me.role] ?? me.role}. Let in by: ${me.kind}.`;
  at("secrets").hidden = me.kind !== "session";
  at("out").hidden = !me.signed_in;
} catch (error) { trouble(error); }

at("secrets").addEventListener("submit", async (event) => {
  event.preventDefault();
  trouble();
  try {
    await ask("/api/v1/me/secrets", { method: "PUT", body: filled(event.target) });
    event.target.reset();
    at("said").textContent = "Set.";
  } catch (error) { trouble(error); }
});

at("out").addEventListener("click", async () => {
  try { await ask("/api/v1/sign-out", { method: "POST" }); location.replace("/sign-in"); }
  catch (error) { trouble(error); }
});

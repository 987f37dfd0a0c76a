// Whoever was signed in here is not any more: says so on top of any page, with the way back to it.
import { _ } from "./speech.js";

export function signedOut() {
  if (document.getElementById("signed-out")) return;
  const note = document.createElement("p");
  note.id = "signed-out";
  note.setAttribute("role", "alert");
  const link = document.createElement("a");
  link.href = `/sign-in?next=${encodeURIComponent(location.pathname + location.search)}`;
  link.textContent = _("Sign in again");
  note.append(_("Nobody is signed in here any more. What was said here is kept on this device until then."), " ", link);
  document.body.prepend(note);
}

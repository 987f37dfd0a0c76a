// Who speaks: whoever is signed in. In the demo nobody is: a role is picked once and kept on this device.
import { _ } from "./speech.js";

const KEY = "kerfbook.who";

/** What a role is called; a person's own name stays as it is. */
export const named = (who) => ({
  operator: _("operator"), "maintenance lead": _("maintenance lead"), maintenance: _("maintenance lead"), installer: _("installer"), owner: _("owner"),
}[who] ?? who);

// Without an answer (no network) what this device knew last still stands; the server decides in any case.
export const me = await fetch("/api/v1/me", { cache: "no-store", signal: AbortSignal.timeout(5_000) })
  .then((answer) => (answer.ok ? answer.json() : null)).catch(() => null);

/** Whether this device may deliver what was said on it: one person's words never go out under another's name. */
export const speaksFor = (by) => !by || !me?.signed_in || by === me.name;
export const speaker = () => (me?.signed_in ? me.name : null);

export function keepRole(select) {
  if (me?.signed_in) {
    const title = [...select.options].find((option) => option.dataset.role === me.role)?.value ?? me.role;
    const option = new Option(me.name, me.name, true, true);
    option.dataset.role = me.role;
    option.title = title;
    select.replaceChildren(option);
    select.disabled = true;
    if (me.people.length) { // a phone that several share
      const other = Object.assign(document.createElement("a"), { href: `/sign-in?next=${encodeURIComponent(location.pathname)}`, textContent: _("somebody else") });
      select.closest("label").after(other);
      other.className = "other";
    }
    return () => me.name;
  }
  try {
    const kept = localStorage.getItem(KEY);
    if (kept && [...select.options].some((option) => option.value === kept)) select.value = kept;
    select.addEventListener("change", () => localStorage.setItem(KEY, select.value));
  } catch { /* a browser that keeps nothing still works */ }
  return () => select.value;
}

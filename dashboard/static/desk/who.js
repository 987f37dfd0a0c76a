// Who speaks: a role picked once and kept on this device, until there are accounts.
import { _ } from "./speech.js";

const KEY = "kerfbook.who";

/** What a role is called; a person's own name stays as it is. */
export const named = (who) => ({
  operator: _("operator"), "maintenance lead": _("maintenance lead"), maintenance: _("maintenance lead"), installer: _("installer"), owner: _("owner"),
}[who] ?? who);

export function keepRole(select) {
  try {
    const kept = localStorage.getItem(KEY);
    if (kept && [...select.options].some((option) => option.value === kept)) select.value = kept;
    select.addEventListener("change", () => localStorage.setItem(KEY, select.value));
  } catch { /* a browser that keeps nothing still works */ }
  return () => select.value;
}

// Who speaks: whoever is signed in; in the demo role and name, kept on this device.
import { keepRole, me } from "../desk/who.js";

const NAME = "kerfbook.name";

export function person(select, input) {
  keepRole(select);
  if (me?.signed_in) {
    input.hidden = true;
    return { role: () => me.role, who: () => me.name };
  }
  try {
    input.value = localStorage.getItem(NAME) ?? "";
    input.addEventListener("change", () => localStorage.setItem(NAME, input.value.trim()));
  } catch { /* a browser that keeps nothing still works */ }
  return {
    role: () => select.selectedOptions[0].dataset.role,
    who: () => input.value.trim() || select.value,
  };
}

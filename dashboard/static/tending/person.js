// Who speaks: role and name, kept on this device until there are accounts.
import { keepRole } from "../desk/who.js";

const NAME = "kerfbook.name";

export function person(select, input) {
  keepRole(select);
  try {
    input.value = localStorage.getItem(NAME) ?? "";
    input.addEventListener("change", () => localStorage.setItem(NAME, input.value.trim()));
  } catch { /* a browser that keeps nothing still works */ }
  return {
    role: () => select.selectedOptions[0].dataset.role,
    who: () => input.value.trim() || select.value,
  };
}

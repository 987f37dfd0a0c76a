// Who speaks: a role picked once and kept on this device, until there are accounts.

const KEY = "kerfbook.who";

export function keepRole(select) {
  try {
    const kept = localStorage.getItem(KEY);
    if (kept && [...select.options].some((option) => option.value === kept)) select.value = kept;
    select.addEventListener("change", () => localStorage.setItem(KEY, select.value));
  } catch { /* a browser that keeps nothing still works */ }
  return () => select.value;
}

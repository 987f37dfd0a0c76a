// What every page of the desk does with its own elements.
export const at = (id) => document.getElementById(id);

/** Says what went wrong at the top of the page; null: nothing does any more. */
export function trouble(error) {
  if (error?.name === "AbortError") return;
  at("trouble").textContent = error?.message ?? "";
  at("trouble").hidden = !error;
}

export function make(tag, fields = {}, ...inside) {
  const made = Object.assign(document.createElement(tag), fields);
  made.append(...inside.filter((one) => one !== null));
  return made;
}

// What the door's pages share.

export const at = (id) => document.getElementById(id);

export function trouble(error) {
  at("trouble").textContent = error ? error.message : "";
  at("trouble").hidden = !error;
}

export function make(tag, fields = {}, ...inside) {
  const made = Object.assign(document.createElement(tag), fields);
  made.append(...inside);
  return made;
}

/** The fields of a form that were filled in. */
export const filled = (form) => Object.fromEntries([...new FormData(form)].filter(([, value]) => value !== ""));

/** Where to go on after signing in: an address of this server, never another's. */
export function goOn() {
  const wanted = new URL(new URLSearchParams(location.search).get("next") ?? "/", location.origin);
  location.replace(wanted.origin === location.origin ? wanted.pathname + wanted.search : "/");
}

export const ROLES = { operator: "operator", maintenance: "maintenance lead", installer: "installer", owner: "owner", viewer: "viewer" };

export const when = (text) => new Date(text).toLocaleString("en-GB", { dateStyle: "medium", timeStyle: "short" });

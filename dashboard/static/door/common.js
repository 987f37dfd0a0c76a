// What the door's pages share.
import { _, clocks, dates } from "../desk/speech.js";

/** The fields of a form that were filled in. */
export const filled = (form) => Object.fromEntries([...new FormData(form)].filter(([, value]) => value !== ""));

/** Where to go on after signing in: an address of this server, never another's. */
export function goOn() {
  const wanted = new URL(new URLSearchParams(location.search).get("next") ?? "/", location.origin);
  // The whole address and not its path alone, which may begin with "//" and then names another server.
  location.replace(wanted.origin === location.origin ? wanted.href : "/");
}

export const ROLES = { operator: _("operator"), maintenance: _("maintenance lead"), installer: _("installer"), owner: _("owner"), viewer: _("viewer") };

export const KINDS = {
  session: _("session"), phone: _("own phone"), post: _("shared phone"), tv: _("TV, open"), link: _("TV's link"), token: _("program"),
  invitation: _("QR code, not scanned yet"), renewal: _("new password, not chosen yet"),
};

export const RIGHTS = {
  see: _("see the wall"), read: _("read all"), say: _("say what was done"), tend: _("look after blades and tasks"), install: _("set up saws"),
  own: _("let people in"),
};

const [day, clock] = [dates({ dateStyle: "medium" }), clocks()];

export function when(text) {
  const moment = new Date(text);
  return `${day.format(moment)} ${clock.format(moment)}`;
}

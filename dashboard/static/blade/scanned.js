// What a blade's label opens: where the blade is, and onto which saw it goes. The saws' links work without this script.
import { _, decimal } from "../desk/speech.js";
import { Zone } from "../desk/days.js";
import { moment } from "./view.js";

const PLACES = {
  new: _("new and sharp, in the rack"), in_rack: _("in the rack"), on_saw: _("on a saw"), to_sharpen: _("put aside to be sharpened"),
  at_sharpener: _("at the sharpener"), scrapped: _("SCRAPPED: must not go in"), unsaid: _("came out, nobody said where it went"),
};
const tag = document.body.dataset.tag;
const at = (id) => document.getElementById(id);
const get = async (path) => {
  const answer = await fetch(path, { cache: "no-store", signal: AbortSignal.timeout(10_000) });
  if (answer.status === 404) return null;
  return answer.json();
};

function trouble(text, bad) {
  at("state").hidden = false;
  at("state").classList.toggle("bad", bad);
  at("state").textContent = text;
}

async function show() {
  const blade = await get(`/api/v1/blades/${tag}`);
  if (!blade) {
    at("sits").textContent = "";
    return trouble(_("Nobody has entered a blade {tag} yet: add it at “all blades” first.", { tag }), true);
  }
  const on = blade.saw ? document.querySelector(`.choice span[data-saw="${blade.saw}"]`)?.previousElementSibling.textContent : null;
  at("sits").textContent = _("{place}, {n} cuts since sharp, {percent} % used", { place: on ? _("on {saw}", { saw: on }) : PLACES[blade.place], n: decimal(blade.use.cuts), percent: Math.round(100 * blade.share) });
  if (blade.place === "scrapped") trouble(_("{tag} was scrapped. It must not go on a saw.", { tag }), true);
  else if (blade.place === "to_sharpen" || blade.place === "at_sharpener") trouble(_("{tag} was put aside to be sharpened.", { tag }), false);
}

async function showSaws() {
  for (const place of document.querySelectorAll(".choice span")) {
    const saw = await get(`/api/v1/saws/${place.dataset.saw}/blade`);
    const zone = new Zone(saw.zone);
    place.textContent = saw.waiting.length ? _("door open {time}", { time: moment(saw.waiting[0].start, saw.now, zone) }) : saw.blade ? _("{tag} sits there", { tag: saw.blade.tag }) : "";
  }
}

const lost = () => trouble(_("No network. The saws below still open if this phone has seen them before."), false);
show().catch(lost);
showSaws().catch(() => {});

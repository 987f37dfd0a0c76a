// The wall screen: takes the wall from the feed, keeps it, and paints it once a second and at every change.
import { _ } from "../desk/speech.js";
import { follow } from "./feed.js";
import { Shop } from "./shop.js";
import { Rows } from "./rows.js";
import { drawRule } from "./rule.js";
import { Ribbons } from "./ribbon.js";
import { wander } from "./wander.js";

const at = (id) => document.getElementById(id);
const script = document.querySelector("script[data-plotly]");
const release = document.querySelector("meta[name=kerfbook-release]").content;

const shop = new Shop();
const rows = new Rows(at("saws"), at("card"));
const ribbons = new Ribbons(script.dataset.plotly);

function paint() {
  if (!shop.wall) return;
  const { wall, words } = shop;
  const waiting = shop.neverHeard();
  at("first").hidden = !waiting;
  at("saws").hidden = waiting;
  at("foot").classList.toggle("bare", waiting);
  at("plan").textContent = words.plan(wall.planned);
  at("day").textContent = words.day(shop.now());
  at("clock").textContent = words.clock(shop.now());
  at("rule").toggleAttribute("hidden", waiting);
  at("key").hidden = waiting;
  if (waiting) return;
  rows.paint(shop);
  drawRule(at("rule"), shop, rows.ribbonBox());
}

function paintRibbons() {
  if (shop.wall && !shop.neverHeard()) ribbons.paint(shop, rows);
}

follow({
  wall(wall) {
    shop.take(wall);
    paint();
    paintRibbons();
  },
  saw(entry) {
    if (!shop.takeSaw(entry)) return false;
    paint();
    return true;
  },
  tick(now) {
    shop.setClock(now);
  },
  lost(seconds) {
    shop.lost = true;
    at("lost-since").textContent = shop.wall ? shop.words.moment(shop.now() - seconds * 1000, shop.now()) : _("this screen was opened");
    at("lost").hidden = false;
    document.body.classList.add("lost");
    paint();
  },
  async found() {
    shop.lost = false;
    at("lost").hidden = true;
    document.body.classList.remove("lost");
    // A server that came back may be a newer one: a screen that runs for a year takes the newer page by itself.
    const answer = await fetch("/tv/release", { cache: "no-store" }).catch(() => null);
    if (answer?.ok && (await answer.text()).trim() !== release) location.reload();
  },
});

setInterval(paint, 1000);
setInterval(paintRibbons, 10_000);
addEventListener("resize", () => { paint(); paintRibbons(); });
wander(document.documentElement);

// Words that the rack and a blade's page share.

export const PLACES = {
  on_saw: "On the saws", in_rack: "Sharp, in the rack", unsaid: "Came out, nobody said where they went",
  to_sharpen: "To be sharpened", at_sharpener: "At the sharpener", scrapped: "Scrapped",
};
/** New blades lie with the sharp ones. */
export const placeOf = (blade) => (blade.place === "new" ? "in_rack" : blade.place);

export const WHAT = {
  in: "went in", out: "came out", "out, sharpen": "came out, to be sharpened", "out, keep": "came out, kept in the rack",
  "out, scrap": "came out, scrapped", racked: "found in the rack", to_sharpen: "put aside to be sharpened",
  sent: "sent to the sharpener", returned: "came back sharp", scrapped: "scrapped",
};
const UNITS = { cuts: "cuts", minutes: "min", metres: "m" };

export const whole = (x) => Math.round(x).toLocaleString("en-GB");
export const days = (x) => (x < 1 ? "today" : x < 1.5 ? "1 day" : `${Math.round(x)} days`);

/** Which of the limits is nearest, as words. */
export const limitWords = (blade) => `${whole(blade.use[blade.limit_by])} of ${whole(blade.limits[blade.limit_by])} ${UNITS[blade.limit_by]}`;

export const leftWords = (left) => (left === null ? null : [days(left.median), `${Math.floor(left.low)} to ${Math.ceil(left.high)}`]);

/** What the chart says, and whether it calls. */
export function wearWords(wear) {
  if (wear.heavier === null) return wear.learned === 0 ? ["", ""] : ["learning", `${wear.learned} of ${wear.needed} cuts`];
  const more = Math.round(100 * (wear.ratio - 1));
  return wear.heavier ? ["heavier", `load ${more > 0 ? "+" : ""}${more} %`] : ["as fresh", `load ${more > 0 ? "+" : ""}${more} %`];
}

export const titles = () => JSON.parse(document.body.dataset.titles);

export function trouble(error) {
  const place = document.getElementById("trouble");
  place.hidden = !error;
  place.textContent = error ? error.message : "";
}

/** The fields of a blade's form as the server takes them: what is empty is not known. */
export function fields(form) {
  const body = {};
  for (const input of form.elements) {
    if (!input.name) continue;
    body[input.name] = input.value === "" ? (input.name === "tooth_form" ? "" : null) : input.type === "number" ? Number(input.value) : input.value;
  }
  return body;
}

export function fillGroups(form, groups) {
  const select = form.elements.group;
  if (select.options.length) return;
  select.replaceChildren(...groups.map((g) => Object.assign(document.createElement("option"), { value: g.group, textContent: g.title })));
}

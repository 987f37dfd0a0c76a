// What is cut off, what leaves the screen, and which parts of a row leave it or lie over one another.
const seen = (e) => e.getClientRects().length && !e.closest("svg, .ribbon, template");
const bad = [];
for (const e of document.querySelectorAll("body *")) {
  if (!seen(e)) continue;
  const r = e.getBoundingClientRect();
  if (r.right > innerWidth + 1 || r.bottom > innerHeight + 1 || r.left < -1 || r.top < -1) bad.push(`outside: ${e.className || e.id || e.tagName}`);
  if (e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX !== "visible") bad.push(`clipped: ${e.innerText}`);
}
const hull = (e) => {
  const all = e.matches(".ribbon") ? [e] : [...e.querySelectorAll("*")].filter((x) => x.getClientRects().length);
  const r = all.map((x) => x.getBoundingClientRect());
  return { left: Math.min(...r.map((x) => x.left)), right: Math.max(...r.map((x) => x.right)),
           top: Math.min(...r.map((x) => x.top)), bottom: Math.max(...r.map((x) => x.bottom)) };
};
for (const row of document.querySelectorAll(".saw")) {
  const box = row.getBoundingClientRect();
  const parts = [".who", ".use", ".cuts", ".ribbon"].map((s) => [s, hull(row.querySelector(s))]);
  for (const [name, p] of parts) {
    if (p.top < box.top - 1 || p.bottom > box.bottom + 1) bad.push(`${row.dataset.saw}: ${name} leaves its row`);
    for (const [other, q] of parts) {
      if (name < other && p.left < q.right - 1 && q.left < p.right - 1 && p.top < q.bottom - 1 && q.top < p.bottom - 1) bad.push(`${row.dataset.saw}: ${name} over ${other}`);
    }
  }
}
return bad;

// The cuts of each hour, as figures over the ribbon's hours.

const HOUR = 3_600_000;

export function drawHours(place, saw, shop) {
  const { start, end } = shop.window();
  const day = Date.parse(shop.wall.day_start);
  const figures = [];
  for (let i = Math.round((start - day) / HOUR); day + i * HOUR < Math.min(end, shop.now()); i += 1) {
    const middle = (day + (i + 0.5) * HOUR - start) / (end - start);
    figures.push([saw.hours[i] ?? 0, (100 * middle).toFixed(2)]);
  }
  const fingerprint = JSON.stringify(figures);
  if (place.dataset.drawn === fingerprint) return;
  place.dataset.drawn = fingerprint;
  place.replaceChildren(...figures.map(([count, left]) => {
    const figure = document.createElement("span");
    figure.textContent = count || "·";
    figure.style.left = `${left}%`;
    return figure;
  }));
}

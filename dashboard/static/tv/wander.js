// Against burn-in: the sheet walks a small eight, one step in three minutes, never further than its margin.

export function wander(root) {
  let step = 0;
  setInterval(() => {
    step += 1;
    const reach = innerHeight / 270; // 4 px of 1080
    root.style.setProperty("--wander-x", `${(reach * Math.sin(step / 3)).toFixed(1)}px`);
    root.style.setProperty("--wander-y", `${(reach * Math.sin((2 * step) / 3)).toFixed(1)}px`);
  }, 180_000);
}

// The line to the server: the whole wall by GET, then changes by server-sent events, and a watch on both.

const SILENCE = 12_000; // ms without an event or a tick (one every 5 s) after which the server counts as lost
const RETRY = 4_000; // ms between attempts to get it back
const REFRESH = 60_000; // ms between whole walls: late readings may have changed the past, and the day may have

/**
 * Follow the shop. `on` has: wall(wall), saw(entry) -> false when the entry is not on the wall, tick(time),
 * lost(seconds of silence), found().
 */
export function follow(on) {
  let source = null;
  let heard = performance.now();
  let attempted = 0;
  let lost = false;
  let loading = false;

  function alive() {
    heard = performance.now();
    if (lost) {
      lost = false;
      load();
      on.found();
    }
  }

  async function load() {
    if (loading) return;
    loading = true;
    try {
      const answer = await fetch("/api/v1/wall", { cache: "no-store", signal: AbortSignal.timeout(8_000) });
      if (answer.status === 401) location.reload(); // its link was ended: the server shows what to do
      if (answer.ok) {
        on.wall(await answer.json());
        alive();
      }
    } catch (problem) {
      console.info("wall not loaded:", problem.message);
    } finally {
      loading = false;
    }
  }

  function listen() {
    attempted = performance.now();
    source?.close();
    source = new EventSource("/api/v1/stream");
    source.addEventListener("open", () => { load(); });
    source.addEventListener("saw", (event) => {
      alive();
      if (on.saw(JSON.parse(event.data)) === false) load();
    });
    source.addEventListener("tick", (event) => {
      alive();
      on.tick(JSON.parse(event.data).now);
    });
  }

  function watch() {
    const silence = performance.now() - heard;
    if (silence <= SILENCE) return;
    if (!lost) {
      lost = true;
      on.lost(silence / 1000);
    }
    // The browser's own retry gives up after some errors (a 404 from a proxy, say): begin again from here.
    if (performance.now() - attempted > RETRY) listen();
  }

  // A page that the browser keeps behind the one that is shown would keep its stream, and six are all that it opens.
  addEventListener("pagehide", () => { source?.close(); });
  addEventListener("pageshow", (event) => { if (event.persisted) listen(); });

  load();
  listen();
  setInterval(watch, 500);
  setInterval(load, REFRESH);
}

"use strict";
// Keeps the main part of the page up to date, and says so by itself when it cannot.
(() => {
  const late_ms = 6000; // without a renewal for so long, the connection counts as lost
  const poll_ms = 3000; // without the stream, the page asks for itself this often
  const ask_ms = 5000; // one renewal may take no longer
  const streams_max = 3; // of all windows of one browser
  const self_id = Math.random();
  const windows = self.BroadcastChannel && new BroadcastChannel("siskin");
  const others = new Set();
  let renewed = performance.now();
  let busy = false;
  let stream;

  async function renew() {
    if (busy) return;
    busy = true;
    try {
      const answer = await fetch(location.href, { cache: "no-store", signal: AbortSignal.timeout(ask_ms) });
      if (!answer.ok) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      const main = page.getElementById("main");
      if (!main) return;
      const focused = document.activeElement?.closest("main a[href]")?.getAttribute("href");
      document.getElementById("main").replaceWith(main);
      if (focused) main.querySelector(`a[href="${CSS.escape(focused)}"]`)?.focus({ preventScroll: true });
      if (document.title !== page.title) document.title = page.title;
      renewed = performance.now();
      watch();
    } catch {
      // The next turn tries again; until then the age grows and is told.
      leave();
    } finally {
      busy = false;
    }
  }

  function watch() {
    const age_ms = performance.now() - renewed;
    document.getElementById("lost").hidden = age_ms < late_ms;
    document.getElementById("lost-age").textContent = `${Math.round(age_ms / 1000)} s`;
    document.body.classList.toggle("old", age_ms >= late_ms);
    if (age_ms >= poll_ms) renew();
  }

  // A browser opens no more than six connections to one place, all its windows together, and a stream holds
  // one for good. So a hidden window has none, nor has one where enough others have: those ask by themselves.
  function listen() {
    if (document.hidden || listens()) return;
    others.clear();
    windows?.postMessage("who listens?");
    setTimeout(() => {
      if (document.hidden || listens() || others.size >= streams_max) return;
      stream = new EventSource("/api/v1/stream?brief=true");
      stream.addEventListener("changed", renew);
      windows?.postMessage(self_id);
    }, 200 + 800 * Math.random()); // not all windows at once: each must hear of those before it
  }

  function listens() {
    return stream && stream.readyState !== EventSource.CLOSED;
  }

  function leave() {
    stream?.close();
  }

  windows?.addEventListener("message", ({ data }) => {
    if (data !== "who listens?") others.add(data);
    else if (listens()) windows.postMessage(self_id);
  });

  function shown() {
    if (document.hidden) return leave();
    watch();
    renew();
    listen();
  }

  listen();
  document.addEventListener("visibilitychange", shown);
  setInterval(watch, 1000);
  setInterval(listen, 10000);
})();

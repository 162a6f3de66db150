"use strict";
// Keeps the main part of the page up to date, and says so by itself when it cannot.
(() => {
  const late_ms = 6000; // without a renewal for so long, the connection counts as lost
  const poll_ms = 3000; // without the stream, the page asks for itself this often
  const ask_ms = 5000; // one renewal may take no longer
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

  function listen() {
    if (stream && stream.readyState !== EventSource.CLOSED) return;
    stream = new EventSource("/api/v1/stream?brief=true");
    stream.addEventListener("changed", renew);
  }

  listen();
  setInterval(watch, 1000);
  setInterval(listen, 10000);
})();

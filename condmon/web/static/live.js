// Keeps an open page alive: says how fresh it is, fetches its main part anew when something was
// written, and says so at once when there is no connection. Without this script pages work the same.
"use strict";
(() => {
  const LOST_MS = 10000;
  const machine = document.body.dataset.machine || "";
  const lost = document.getElementById("lost");
  const checked = document.getElementById("checked");
  let heard = Date.now(), lastChecked = checked ? checked.textContent : "", waiting = false, again = false;

  const busy = () => {
    const on = document.activeElement;
    const form = on && on.closest && on.closest("main form");
    if (form && on.matches("textarea, input:not([type=hidden]), select")) return true;
    return [...document.querySelectorAll("main textarea, main input:not([type=hidden])")].some((f) => f.value !== f.defaultValue);
  };

  async function look() {
    if ("still" in document.body.dataset) return; // the answer to a form
    if (waiting) { again = true; return; }
    if (busy()) { again = true; return; }
    waiting = true;
    again = false;
    try {
      const answer = await fetch(location.href.split("#")[0], { headers: { "X-Part": "main" }, cache: "no-store" });
      if (answer.redirected && answer.url.includes("/sign-in")) { location.href = answer.url; return; }
      if (!answer.ok) return;
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      if (busy()) { again = true; return; }
      replace(page);
    } catch (_) { /* the lost connection is told by the clock below */ } finally {
      waiting = false;
      if (again && !busy()) look();
    }
  }

  function replace(page) {
    const old = document.getElementById("main"), fresh = page.getElementById("main");
    if (!fresh) return;
    const focused = document.activeElement && document.activeElement.id;
    const open = [...old.querySelectorAll("details")].map((d) => d.open);
    const charts = old.querySelector("#charts.drawn"), newCharts = fresh.querySelector("#charts");
    if (charts && newCharts) newCharts.replaceWith(charts); // the chart script has its own life
    old.replaceChildren(...fresh.childNodes);
    old.querySelectorAll("details").forEach((d, i) => { d.open = open[i] || d.open; });
    if (focused && document.getElementById(focused)) document.getElementById(focused).focus({ preventScroll: true });
    document.title = page.title;
    document.dispatchEvent(new Event("condmon:fresh"));
  }

  function beat(event) {
    heard = Date.now();
    const said = JSON.parse(event.data);
    if (said.checked) {
      lastChecked = said.checked;
      if (checked) checked.textContent = said.checked;
      document.querySelectorAll(".checked").forEach((e) => { e.textContent = said.checked; });
    }
    const doubt = document.getElementById("doubt");
    if (doubt && doubt.textContent.replace(/^\s*Look out:\s*/, "").trim() !== said.doubt) look();
    for (const [name, [value, age, trouble, outlook]] of Object.entries(said.values)) {
      const row = document.querySelector(`.signal[data-signal="${CSS.escape(name)}"]`);
      if (!row) continue;
      row.querySelector(".value").textContent = value;
      row.querySelector(".age").textContent = age;
      row.querySelector(".trouble").textContent = trouble ? ` · ${trouble}` : "";
      row.querySelector(".outlook").textContent = outlook;
      row.classList.toggle("old", trouble !== "");
    }
    show();
  }

  function show() {
    const gone = Date.now() - heard > LOST_MS;
    if (gone === !lost.hidden) return;
    lost.textContent = gone ? `No connection since ${lastChecked || "this page was opened"}. What is shown is of then.` : "";
    lost.hidden = !gone;
    document.documentElement.classList.toggle("stale", gone);
    if (!gone) look();
  }

  let stream = null;
  function listen() {
    if (stream) stream.close();
    stream = new EventSource("/live" + (machine ? `?machine=${encodeURIComponent(machine)}` : ""));
    stream.addEventListener("beat", beat);
    stream.addEventListener("changed", look);
    stream.addEventListener("gone", () => { stream.close(); location.reload(); });
  }
  listen();
  setInterval(show, 1000);
  setInterval(() => { if (!document.hidden && lost.hidden) look(); }, 30000); // "25 min ago" grows older
  setInterval(() => { // a stream that was closed for good, as after a restart, is opened anew
    if (stream.readyState === EventSource.CLOSED && !document.hidden) listen();
    if (again && !busy()) look();
  }, 3000);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { listen(); look(); } });

  if (window.isSecureContext && location.protocol === "https:" && navigator.serviceWorker) {
    navigator.serviceWorker.register("/worker.js").catch(() => {}); // without it, only the offline page is missing
  }

  document.addEventListener("submit", (event) => { // one tap is one act, however often it is tapped
    const button = event.submitter;
    if (button && event.target.method === "post") setTimeout(() => { button.disabled = true; }, 0);
  });
  window.addEventListener("pageshow", () => document.querySelectorAll("button[disabled]").forEach((b) => { b.disabled = false; }));
})();

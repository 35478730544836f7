// Charts that can be moved: takes over from the pictures the server drew, once someone touches them.
// One finger moves, two fingers or the wheel zoom, buttons and keys do both; all charts move as one.
"use strict";
(() => {
  const LEAST_US = 60e6, MOST_US = 92 * 86400e6;
  let box, machine, view, series = null, wanted = 0, timer = 0, fingers = new Map();

  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

  function begin() {
    box = document.getElementById("charts");
    if (!box || box.dataset.ready) return;
    box.dataset.ready = "1";
    machine = document.body.dataset.machine;
    view = { from: +box.dataset.from, to: +box.dataset.to, now: !new URLSearchParams(location.search).get("to") || new URLSearchParams(location.search).get("to") === "0" };
    box.addEventListener("click", pressed);
    box.addEventListener("keydown", typed);
    for (const plot of box.querySelectorAll(".plot")) {
      plot.addEventListener("pointerdown", down);
      plot.addEventListener("pointermove", moved);
      for (const end of ["pointerup", "pointercancel", "lostpointercapture"]) plot.addEventListener(end, up);
      plot.addEventListener("wheel", wheel, { passive: false });
    }
    box.classList.add("drawn");
  }

  // what is asked for

  function go(from, to) {
    const now = Date.now() * 1000 + skew, span = Math.min(Math.max(to - from, LEAST_US), MOST_US);
    const middle = (from + to) / 2;
    view.from = Math.max(middle - span / 2, now - MOST_US);
    view.to = view.from + span;
    view.now = view.to >= now - 1e6;
    if (view.now) { view.to = now; view.from = now - span; }
    draw();
    clearTimeout(timer);
    timer = setTimeout(fetchSeries, 120);
  }
  // the shop's clock and the phone's may differ; the page was made at the shop's now
  const skew = (() => {
    const charts = document.getElementById("charts");
    const to = new URLSearchParams(location.search).get("to");
    return charts && (!to || to === "0") ? +charts.dataset.to - Date.now() * 1000 : 0;
  })();

  const acts = {
    earlier: (s) => go(view.from - s / 2, view.to - s / 2),
    later: (s) => go(view.from + s / 2, view.to + s / 2),
    closer: () => zoom(0.5, view.now ? 1 : 0.5),
    wider: () => zoom(2, view.now ? 1 : 0.5),
    now: (s) => go(Date.now() * 1000 + skew - s, Date.now() * 1000 + skew),
  };

  function zoom(by, at) {
    const span = Math.min(Math.max((view.to - view.from) * by, LEAST_US), MOST_US);
    const fixed = view.from + (view.to - view.from) * at;
    go(fixed - span * at, fixed + span * (1 - at));
  }

  function pressed(event) {
    const link = event.target.closest("a[data-move], a[data-span]");
    if (!link) return;
    event.preventDefault();
    if (link.dataset.move) acts[link.dataset.move](view.to - view.from);
    else {
      const to = view.now ? Date.now() * 1000 + skew : view.to;
      go(to - link.dataset.span * 1e6, to);
    }
    for (const one of box.querySelectorAll("a[data-span]")) {
      if (Math.abs(one.dataset.span * 1e6 - (view.to - view.from)) < 1e6) one.setAttribute("aria-current", "true");
      else one.removeAttribute("aria-current");
    }
  }

  function typed(event) {
    const name = { ArrowLeft: "earlier", ArrowRight: "later", "+": "closer", "-": "wider", End: "now" }[event.key];
    if (!name || event.target !== box) return;
    event.preventDefault();
    acts[name](view.to - view.from);
  }

  function wheel(event) {
    if (!event.ctrlKey) return; // the plain wheel scrolls the page
    event.preventDefault();
    zoom(event.deltaY > 0 ? 1.25 : 0.8, event.offsetX / event.currentTarget.clientWidth);
  }

  // fingers

  function down(event) {
    fingers.set(event.pointerId, event.clientX);
    event.currentTarget.setPointerCapture(event.pointerId);
  }
  function moved(event) {
    if (!fingers.has(event.pointerId)) return;
    const wide = event.currentTarget.clientWidth, left = event.currentTarget.getBoundingClientRect().left;
    const was = [...fingers.values()];
    const step = event.clientX - fingers.get(event.pointerId);
    if (!step) return;
    fingers.set(event.pointerId, event.clientX);
    if (fingers.size === 1) {
      const by = (view.to - view.from) * step / wide;
      go(view.from - by, view.to - by);
    } else if (fingers.size === 2) {
      const is = [...fingers.values()];
      const before = Math.abs(was[0] - was[1]), after = Math.max(20, Math.abs(is[0] - is[1]));
      zoom(before / after, ((is[0] + is[1]) / 2 - left) / wide);
    }
  }
  function up(event) { fingers.delete(event.pointerId); }

  // drawing

  async function fetchSeries() {
    const mine = ++wanted;
    const ask = new URLSearchParams({ from_us: Math.round(view.from), to_us: Math.round(view.to), points: 360 });
    try {
      const answer = await fetch(`/api/machines/${encodeURIComponent(machine)}/series?${ask}`);
      if (!answer.ok || mine !== wanted) return;
      const got = await answer.json();
      if (mine !== wanted) return;
      series = got;
      document.getElementById("span-from").textContent = got.from || "";
      document.getElementById("span-to").textContent = got.to || "";
      draw();
    } catch (_) { /* the page says that it has no connection */ }
  }

  function draw() {
    if (!series) return;
    for (const one of series.signals) {
      const strip = box.querySelector(`.strip[data-signal="${CSS.escape(one.name)}"]`);
      if (strip) drawStrip(strip, one);
    }
  }

  function drawStrip(strip, one) {
    const plot = strip.querySelector(".plot");
    let canvas = plot.querySelector("canvas");
    const svg = plot.querySelector("svg");
    if (!canvas) {
      canvas = document.createElement("canvas");
      canvas.setAttribute("role", "img");
      plot.insertBefore(canvas, svg);
      svg.remove();
    }
    const dense = window.devicePixelRatio || 1, wide = plot.clientWidth, high = strip.classList.contains("state") ? 48 : 96;
    canvas.width = wide * dense;
    canvas.height = high * dense;
    const pen = canvas.getContext("2d");
    pen.scale(dense, dense);
    const x = (us) => (us - view.from) / (view.to - view.from) * wide;
    const y = (v) => (one.scale[1] - v) / (one.scale[1] - one.scale[0]) * high;
    for (const [from, to, kind] of series.bands) {
      pen.globalAlpha = kind === "alert" ? 0.22 : 0.55;
      pen.fillStyle = css(kind === "alert" ? "--today" : "--ink");
      pen.fillRect(x(from), 0, Math.max(1.5, x(to) - x(from)), high);
    }
    pen.globalAlpha = 1;
    level(pen, one.trip, y, wide, css("--now"), [7, 4], one);
    level(pen, one.setpoint, y, wide, css("--line"), [2, 3], one);
    pen.strokeStyle = css("--track");
    pen.lineWidth = 1.6;
    pen.lineJoin = "round";
    pen.beginPath();
    let on = false;
    for (let i = 0; i < one.low.length; i++) {
      if (one.low[i] === null) { on = false; continue; }
      const at = x(one.from_us + (i + 0.5) * one.step_us);
      if (on) pen.lineTo(at, y(one.high[i])); else pen.moveTo(at, y(one.high[i]));
      pen.lineTo(at + (one.low[i] === one.high[i] && !on ? 0.5 : 0), y(one.low[i]));
      on = true;
    }
    pen.stroke();
    const words = one.words;
    strip.querySelector(".words").textContent = words;
    canvas.setAttribute("aria-label", `${strip.querySelector("b").textContent}: ${words}`);
    strip.querySelector(".top").textContent = one.axis[0];
    strip.querySelector(".bottom").textContent = one.axis[1];
  }

  function level(pen, value, y, wide, colour, dash, one) {
    if (value === null || value < one.scale[0] || value > one.scale[1]) return;
    pen.save();
    pen.strokeStyle = colour;
    pen.setLineDash(dash);
    pen.beginPath();
    pen.moveTo(0, y(value));
    pen.lineTo(wide, y(value));
    pen.stroke();
    pen.restore();
  }

  begin();
  document.addEventListener("condmon:fresh", begin);
  window.addEventListener("resize", draw);
  setInterval(() => { // while it shows the present, it goes with it
    if (box && view.now && series && !document.hidden) go(view.from, view.to);
  }, 15000);
})();

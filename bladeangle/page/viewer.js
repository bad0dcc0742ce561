"use strict";
// Zoom and pan of one photograph by its viewBox; marks keep their size through the custom property --s.
function makeViewer(holder) {
  const svg = holder.querySelector("svg.photo");
  const W = Number(svg.dataset.w), H = Number(svg.dataset.h), MOST = 40;
  let box = { x: 0, y: 0, w: W, h: H };
  function apply() {
    box.w = Math.min(Math.max(box.w, W / MOST), W);
    box.h = box.w * H / W;
    box.x = Math.min(Math.max(box.x, 0), W - box.w);
    box.y = Math.min(Math.max(box.y, 0), H - box.h);
    svg.setAttribute("viewBox", [box.x, box.y, box.w, box.h].map(v => v.toFixed(2)).join(" "));
    svg.style.setProperty("--s", String(unit()));
    for (const near of [3, 9, 27]) { svg.classList.toggle(`near-${near}`, W / box.w >= near); }
    holder.classList.toggle("zoomed", box.w < W);
    holder.dispatchEvent(new CustomEvent("viewchange"));
  }
  function unit() { return box.w / (svg.clientWidth || 530); }
  function zoom(factor, at) {
    const c = at || { x: box.x + box.w / 2, y: box.y + box.h / 2 };
    const w = Math.min(Math.max(box.w / factor, W / MOST), W), k = w / box.w;
    box = { x: c.x - (c.x - box.x) * k, y: c.y - (c.y - box.y) * k, w: w, h: 0 };
    apply();
  }
  function pan(dx, dy) { box.x += dx * box.w; box.y += dy * box.h; apply(); }
  function whole() { box = { x: 0, y: 0, w: W, h: H }; apply(); }
  function show(p) {  // Bring a point into view.
    const m = 0.08;
    if (p.x < box.x + m * box.w || p.x > box.x + (1 - m) * box.w) { box.x = p.x - box.w / 2; }
    if (p.y < box.y + m * box.h || p.y > box.y + (1 - m) * box.h) { box.y = p.y - box.h / 2; }
    apply();
  }
  function at(event) {
    const r = svg.getBoundingClientRect();
    return { x: box.x + (event.clientX - r.left) / r.width * box.w, y: box.y + (event.clientY - r.top) / r.height * box.h };
  }
  // The wheel zooms only in the photograph in use, so that the page still scrolls.
  holder.addEventListener("wheel", event => {
    if (document.activeElement !== holder && !event.ctrlKey) { return; }
    event.preventDefault();
    zoom(Math.exp(-event.deltaY * 0.0016), at(event));
  }, { passive: false });
  const fingers = new Map();
  holder.addEventListener("pointerdown", event => {
    if (event.defaultPrevented || event.button > 0) { return; }
    fingers.set(event.pointerId, event);
    if (box.w < W || fingers.size > 1) { holder.setPointerCapture(event.pointerId); }
  });
  holder.addEventListener("pointermove", event => {
    const before = fingers.get(event.pointerId);
    if (!before || event.defaultPrevented) { return; }
    const r = svg.getBoundingClientRect();
    if (fingers.size === 1) {
      if (box.w < W) { pan((before.clientX - event.clientX) / r.width, (before.clientY - event.clientY) / r.height); }
    } else {
      const other = [...fingers.values()].find(f => f.pointerId !== event.pointerId);
      const apart = f => Math.hypot(f.clientX - other.clientX, f.clientY - other.clientY);
      zoom(apart(event) / Math.max(apart(before), 1), at(other));
    }
    fingers.set(event.pointerId, event);
  });
  for (const end of ["pointerup", "pointercancel"]) {
    holder.addEventListener(end, event => fingers.delete(event.pointerId));
  }
  function key(event) {  // True when the key was one of ours.
    if (event.ctrlKey || event.metaKey || event.altKey) { return false; }
    const acts = {
      "+": () => zoom(1.5), "=": () => zoom(1.5), "-": () => zoom(1 / 1.5), "0": whole,
      ArrowLeft: () => pan(-0.15, 0), ArrowRight: () => pan(0.15, 0), ArrowUp: () => pan(0, -0.15), ArrowDown: () => pan(0, 0.15),
    };
    // Unzoomed there is nothing to pan, and the arrows go on scrolling the page.
    if (!acts[event.key] || (event.key.startsWith("Arrow") && box.w >= W)) { return false; }
    event.preventDefault();
    acts[event.key]();
    return true;
  }
  const acts = {
    "in": () => zoom(1.5), "out": () => zoom(1 / 1.5), "whole": whole,
    "left": () => pan(-0.15, 0), "right": () => pan(0.15, 0), "up": () => pan(0, -0.15), "down": () => pan(0, 0.15),
  };
  new ResizeObserver(apply).observe(holder);
  return { svg, apply, zoom, pan, whole, show, at, unit, key, acts, zoomed: () => W / box.w };
}

"use strict";
// DATA (name, file, photos with traces, edits to start from) is put before this file by the page's maker.
const $ = id => document.getElementById(id);
const sheets = [...document.querySelectorAll(".sheet")];
const holders = sheets.map(s => s.querySelector(".viewer"));
const viewers = holders.map(makeViewer);
// The edits of every photograph: stretches struck out and points put by hand, in pixels of the stored photograph.
let edits = DATA.photos.map(p => ({ struck: p.struck || [], added: p.added || [] }));
let past = [], future = [], saved = JSON.stringify(edits);
let now = 0, mode = "look", chosen = { trace: 0, from: 0, to: 0 }, drag = null;
const STRETCH_REACH = 3, POINT_REACH = 1.5, NEAR = 12, BRUSH = 7;  // px of the photograph twice, px of the screen twice

// --- photograph as stored <-> as shown, turned upright by quarter turns clockwise
function turned(p, w, h, turns) {
  let [x, y] = p;
  for (let i = 0; i < turns; i++) { [x, y] = [h - 1 - y, x]; [w, h] = [h, w]; }
  return [x, y];
}
function shown(p) { const f = DATA.photos[now]; return turned(p, f.width, f.height, f.turns); }
function stored(p) {
  const f = DATA.photos[now], odd = f.turns % 2;
  return turned(p, odd ? f.height : f.width, odd ? f.width : f.height, (4 - f.turns) % 4);
}

// --- what is struck: the same rule as the measurement's
function distance(p, line) {
  let best = Math.hypot(p[0] - line[0][0], p[1] - line[0][1]);
  for (let i = 1; i < line.length; i++) {
    const [ax, ay] = line[i - 1], bx = line[i][0] - ax, by = line[i][1] - ay, l2 = bx * bx + by * by;
    const t = l2 > 0 ? Math.min(Math.max(((p[0] - ax) * bx + (p[1] - ay) * by) / l2, 0), 1) : 0;
    best = Math.min(best, Math.hypot(p[0] - ax - t * bx, p[1] - ay - t * by));
  }
  return best;
}
function concerns(s, t) { return ["kind", "blade", "face"].every(k => s[k] === null || s[k] === t[k]); }
function strikers(t, p) { return edits[now].struck.filter(s => concerns(s, t) && distance(p, s.along_px) <= s.reach_px); }
function words(t) { return t.kind === "hub" ? "hub" : `blade ${t.blade}, ${t.face} face`; }

// The found traces of this photograph, and one more for each edge that has points put by hand.
function traces() {
  const found = DATA.photos[now].traces.map(t => ({ ...t, hand: false }));
  edits[now].added.forEach((a, i) => {
    let t = found.find(f => f.hand && f.kind === a.kind && f.blade === a.blade && f.face === a.face);
    if (!t) { t = { kind: a.kind, blade: a.blade, face: a.face, px: [], index: [], hand: true }; found.push(t); }
    t.px.push(a.px); t.index.push(i);
  });
  return found;
}
function state(t, i) {
  if (t.hand) { return "put by hand"; }
  if (strikers(t, t.px[i]).length) { return "struck out"; }
  return t.kept[i] ? "in use" : "left out by the measurement";
}

// --- changes, each of which can be taken back
function change(act) {
  const before = JSON.stringify(edits);
  act();
  const after = JSON.stringify(edits);
  if (after !== before) { past.push(before); future = []; draw(); }
  return after !== before;
}
function travel(from, to) {
  if (!from.length) { return say("Nothing to take back or do again."); }
  to.push(JSON.stringify(edits));
  edits = JSON.parse(from.pop());
  draw();
  say("Done.");
}
const undo = () => travel(past, future), redo = () => travel(future, past);
function strike(line, reach, of) {
  const list = traces().filter(t => !t.hand && (!of || of === "any" || concerns(of, t)));
  const hit = list.some(t => t.px.some((p, i) => state(t, i) === "in use" && distance(p, line) <= reach));
  if (!hit) { return say("No point in use there."); }
  const whose = of === "any" ? { kind: null, blade: null, face: null } : { kind: of.kind, blade: of.blade, face: of.face };
  change(() => edits[now].struck.push({ ...whose, along_px: line.map(round), reach_px: Math.max(round1(reach), 0.5) }));
  say("Struck out.");
}
function restore(line, reach) {
  const near = q => q.some(p => distance(p, line) <= reach);
  const done = change(() => {
    const hit = new Set();
    for (const t of traces()) {
      if (!t.hand) { t.px.forEach(p => { if (distance(p, line) <= reach) { strikers(t, p).forEach(s => hit.add(s)); } }); }
    }
    edits[now].struck = edits[now].struck.filter(s => !hit.has(s));
    edits[now].added = edits[now].added.filter(a => !near([a.px]));
  });
  say(done ? "Restored." : "Nothing of yours there to restore.");
}
function put(t, p) { edits[now].added.push({ kind: t.kind, blade: t.blade, face: t.face, px: round(p), sigma_px: sigma() }); }
// A hand is as sure as the picture on the page is fine, and never surer than a pixel.
function sigma() { return Math.max(1, round1(DATA.photos[now].pixel)); }
function round1(v) { return Math.round(v * 100) / 100; }
function round(p) { return p.map(round1); }
function moveTo(t, i, p) {  // Moves a point; its new trace and place in it become the chosen ones.
  change(() => {
    if (t.hand) {
      edits[now].added[t.index[i]].px = round(p);
    } else {
      edits[now].struck.push({ kind: t.kind, blade: t.blade, face: t.face, along_px: [round(t.px[i])], reach_px: POINT_REACH });
      put(t, p);
    }
  });
  const all = traces(), k = all.findIndex(a => a.hand && a.kind === t.kind && a.blade === t.blade && a.face === t.face);
  const j = t.hand ? i : all[k].px.length - 1;
  chosen = { trace: k, from: j, to: j };
  draw();
}

// --- drawing
// Only as many marks as leave the edge to be seen between them; nearer, all of them.
function spaced(list, apart) {
  const out = [];
  for (const p of list) {
    const q = out[out.length - 1];
    if (!q || Math.hypot(p[0] - q[0], p[1] - q[1]) >= apart) { out.push(p); }
  }
  return out;
}
function dots(list, cls) {
  if (!list.length) { return ""; }
  const d = spaced(list, 8 * viewers[now].unit()).map(p => { const [x, y] = shown(p); return `M${x.toFixed(2)} ${y.toFixed(2)}h0`; }).join("");
  return `<path class="halo dot ${cls}" d="${d}"/><path class="dot ${cls}" d="${d}"/>`;
}
function crosses(list, cls, r) {
  const d = list.map(p => { const [x, y] = shown(p); return `M${x - r} ${y - r}L${x + r} ${y + r}M${x - r} ${y + r}L${x + r} ${y - r}`; }).join("");
  return d && `<path class="halo ${cls}" style="stroke:#fff;stroke-width:4" d="${d}"/><path class="${cls}" d="${d}"/>`;
}
function lineOf(points) { return "M" + points.map(p => shown(p).map(v => v.toFixed(2)).join(" ")).join("L") + (points.length === 1 ? "h0" : ""); }
function draw() {
  const all = traces(), unit = viewers[now].unit(), parts = [];
  chosen.trace = Math.min(Math.max(chosen.trace, 0), all.length - 1);
  for (const s of edits[now].struck) {
    parts.push(`<path class="brush" style="stroke-width:${2 * s.reach_px}px" d="${lineOf(s.along_px)}"/>`);
  }
  if (drag && drag.line) { parts.push(`<path class="brush" style="stroke-width:${2 * drag.reach}px" d="${lineOf(drag.line)}"/>`); }
  for (const t of all) {
    const of = what => t.px.filter((p, i) => state(t, i) === what);
    if (t.hand) {
      for (const p of t.px) { const [x, y] = shown(p); parts.push(`<circle class="hand" vector-effect="non-scaling-stroke" cx="${x}" cy="${y}" r="${4 * unit}"/>`); }
      continue;
    }
    parts.push(dots(of("in use"), t.kind === "hub" ? "hub" : t.face));
    parts.push(crosses(of("left out by the measurement"), "unused", 3 * unit), crosses(of("struck out"), "struck", 4 * unit));
  }
  const t = all[chosen.trace];
  if (t && t.px.length) {
    chosen.from = Math.min(chosen.from, t.px.length - 1); chosen.to = Math.min(chosen.to, t.px.length - 1);
    const [x, y] = shown(t.px[chosen.to]), r = 8 * unit, ring = `M${x - r} ${y}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0`;
    const stretch = chosen.from === chosen.to ? "" : lineOf(part(t));
    parts.push(`<path class="halo chosen" d="${ring}${stretch}"/><path class="chosen" d="${ring}${stretch}"/>`);
  }
  holders[now].querySelector(".points").innerHTML = parts.join("");
  listing();
}
function part(t) { return t.px.slice(Math.min(chosen.from, chosen.to), Math.max(chosen.from, chosen.to) + 1); }
function listing() {
  const items = [];
  edits[now].struck.forEach((s, i) => {
    const all = traces().filter(t => !t.hand && concerns(s, t)), n = all.reduce((k, t) => k + t.px.filter(p => distance(p, s.along_px) <= s.reach_px).length, 0);
    items.push([`Struck out ${n} point${n === 1 ? "" : "s"}${s.kind ? " of " + words(s) : ""}`, () => edits[now].struck.splice(i, 1)]);
  });
  edits[now].added.forEach((a, i) => items.push([`Put a point of ${words(a)} at ${a.px.map(v => v.toFixed(1)).join(", ")}`, () => edits[now].added.splice(i, 1)]));
  const list = $("list");
  list.replaceChildren(...items.map(([text, act]) => {
    const li = document.createElement("li"), button = document.createElement("button");
    button.type = "button"; button.textContent = "Remove"; button.setAttribute("aria-label", `Remove: ${text}`);
    button.addEventListener("click", () => { change(act); say("Removed."); });
    li.append(text + " ", button);
    return li;
  }));
  $("none").hidden = items.length > 0;
}
function say(text) { $("status").textContent = text; }
function tell() {
  const t = traces()[chosen.trace];
  if (!t || !t.px.length) { return; }
  const n = Math.abs(chosen.to - chosen.from) + 1;
  say(`${words(t)}${t.hand ? ", put by hand" : ""}: point ${chosen.to + 1} of ${t.px.length}, ${state(t, chosen.to)}${n > 1 ? `; ${n} points chosen` : ""}`);
}

// --- mouse and touch; on the way down, so that the viewer leaves alone what is taken here
function nearest(p, reach) {
  let best = null;
  traces().forEach((t, k) => t.px.forEach((q, i) => {
    const d = Math.hypot(q[0] - p[0], q[1] - p[1]);
    if (d <= reach && state(t, i) !== "struck out" && (!best || d < best.d)) { best = { d, trace: k, i }; }
  }));
  return best;
}
holders.forEach((holder, k) => {
  const viewer = viewers[k], at = event => { const p = viewer.at(event); return stored([p.x, p.y]); };
  holder.addEventListener("pointerdown", event => {
    if (mode === "look" || event.button > 0 || drag) { return; }
    event.preventDefault();
    holder.focus();
    holder.setPointerCapture(event.pointerId);
    const p = at(event), unit = viewer.unit();
    if (mode === "strike" || mode === "restore") {
      drag = { line: [p], reach: BRUSH * unit };
    } else if (mode === "add") {
      const target = JSON.parse($("target").value);
      change(() => put(target, p));
      say(`Put a point of ${words(target)}.`);
    } else {
      const hit = nearest(p, NEAR * unit);
      if (!hit) { return say("No point there to move."); }
      chosen = { trace: hit.trace, from: hit.i, to: hit.i };
      drag = { point: hit, last: p };
    }
    draw();
  }, true);
  holder.addEventListener("pointermove", event => {
    if (!drag) { return; }
    event.preventDefault();
    const p = at(event);
    drag.last = p;
    if (drag.line) {
      const q = drag.line[drag.line.length - 1];
      if (Math.hypot(p[0] - q[0], p[1] - q[1]) > drag.reach / 2) { drag.line.push(p); }
    }
    draw();
  }, true);
  holder.addEventListener("pointerup", event => {
    if (!drag) { return; }
    event.preventDefault();
    const done = drag;
    drag = null;
    if (done.line && mode === "restore") { restore(done.line, done.reach); }
    else if (done.line) { strike(done.line, done.reach, "any"); }
    else { moveTo(traces()[done.point.trace], done.point.i, done.last); say("Moved."); }
    draw();
  }, true);
  holder.addEventListener("pointercancel", () => { drag = null; draw(); }, true);
  holder.addEventListener("viewchange", () => { if (k === now) { draw(); } });
  holder.addEventListener("focus", tell);
  holder.addEventListener("keydown", event => { if (!keys(event)) { viewer.key(event); } });
  for (const button of sheets[k].querySelectorAll(".tools button")) { button.addEventListener("click", viewer.acts[button.dataset.act]); }
});

// --- keyboard: true when the key was taken
function keys(event) {
  const all = traces(), t = all[chosen.trace], key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
  if (event.ctrlKey || event.metaKey || event.altKey || !t) { return false; }
  if (key === "+" || key === "=") {  // nearer to the chosen point
    const [x, y] = shown(t.px[chosen.to]);
    viewers[now].show({ x, y });
    viewers[now].zoom(1.5, { x, y });
    event.preventDefault();
    return true;
  }
  const steps = { w: [0, -1], s: [0, 1], a: [-1, 0], d: [1, 0] };
  if (key === "ArrowLeft" || key === "ArrowRight") {
    chosen.to = Math.min(Math.max(chosen.to + (key === "ArrowLeft" ? -1 : 1), 0), t.px.length - 1);
    if (!event.shiftKey) { chosen.from = chosen.to; }
  } else if (key === "ArrowUp" || key === "ArrowDown") {
    chosen = { trace: (chosen.trace + (key === "ArrowUp" ? all.length - 1 : 1)) % all.length, from: 0, to: 0 };
  } else if (key === "x" || key === "Delete") {
    event.preventDefault();
    if (t.hand) { restore(part(t), POINT_REACH); } else { strike(part(t), STRETCH_REACH, t); }
    return true;
  } else if (key === "r") {
    restore(part(t), STRETCH_REACH);
    return true;
  } else if (steps[key]) {
    const k = event.shiftKey ? 10 : 1, p = shown(t.px[chosen.to]);
    moveTo(t, chosen.to, stored([p[0] + k * steps[key][0], p[1] + k * steps[key][1]]));
  } else {
    return false;
  }
  event.preventDefault();
  const [x, y] = shown(traces()[chosen.trace].px[chosen.to]);
  viewers[now].show({ x, y });
  draw();
  tell();
  return true;
}

document.addEventListener("keydown", event => {
  const act = (event.ctrlKey || event.metaKey) && { z: event.shiftKey ? redo : undo, y: redo }[event.key.toLowerCase()];
  if (act) { event.preventDefault(); act(); }
});

// --- the bar
$("choose").addEventListener("change", event => {
  now = Number(event.target.value);
  chosen = { trace: 0, from: 0, to: 0 };
  sheets.forEach((s, k) => { s.hidden = k !== now; });
  viewers[now].apply();
  say(`Photograph ${DATA.photos[now].name}.`);
});
for (const radio of document.querySelectorAll("input[name='mode']")) {
  radio.addEventListener("change", () => { mode = radio.value; holders.forEach(h => { h.dataset.mode = mode; }); });
}
$("undo").addEventListener("click", undo);
$("redo").addEventListener("click", redo);
function file() {
  const photos = DATA.photos.map((p, k) => {
    const added = [];
    for (const a of edits[k].added) {
      let g = added.find(b => b.kind === a.kind && b.blade === a.blade && b.face === a.face && b.sigma_px === a.sigma_px);
      if (!g) { g = { kind: a.kind, blade: a.blade, face: a.face, px: [], sigma_px: a.sigma_px }; added.push(g); }
      g.px.push(a.px);
    }
    return { sha256: p.sha256, name: p.name, struck: edits[k].struck, added };
  }).filter(p => p.struck.length || p.added.length);
  const created = new Date().toISOString().replace(/\.\d+Z$/, "Z");
  return JSON.stringify({ schema: "bladeangle-edits/1", name: DATA.name, created, photos }, null, 1) + "\n";
}
$("save").addEventListener("click", () => {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([file()], { type: "application/json" }));
  link.download = DATA.file;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  saved = JSON.stringify(edits);
  say(`Saved as ${DATA.file}.`);
});
window.addEventListener("beforeunload", event => { if (JSON.stringify(edits) !== saved) { event.preventDefault(); } });
draw();
say("Choose what mouse or finger does, or go into the photograph and use the keys named on this page.");

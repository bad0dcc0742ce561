"use strict";
/* Photographs wait in this browser's own store until the bench computer has said what it saw in them: a phone that
   sleeps, a page that is reloaded and a connection that drops lose nothing. */
(() => {
  const PIECE = 256 * 1024, LONGEST_WAIT = 8000;
  const main = document.getElementById("main");
  const offline = document.getElementById("offline");
  const sending = document.getElementById("sending");
  const words = document.getElementById("sending-words");
  const bar = document.getElementById("sending-bar");
  const pause = (ms) => new Promise((done) => setTimeout(done, ms));
  let mark = main.dataset.mark, wanted = null, fails = 0, memory = [];

  // --- the store: one photograph a row ---
  const store = new Promise((resolve) => {
    try {
      const open = indexedDB.open("bladeangle", 1);
      open.onupgradeneeded = () => open.result.createObjectStore("photographs", { keyPath: "token" });
      open.onsuccess = () => resolve(open.result);
      open.onerror = open.onblocked = () => resolve(null);
    } catch { resolve(null); }
  });
  const inStore = async (mode, act) => {
    const base = await store;
    if (!base) return null;
    return new Promise((resolve) => {
      try {
        const step = base.transaction("photographs", mode);
        const request = act(step.objectStore("photographs"));
        step.oncomplete = () => resolve(request.result ?? true);
        step.onerror = step.onabort = () => resolve(null);
      } catch { resolve(null); }
    });
  };
  const keep = async (row) => { if (!await inStore("readwrite", (s) => s.put(row))) memory.push(row); };
  const forget = async (token) => {
    memory = memory.filter((row) => row.token !== token);
    await inStore("readwrite", (s) => s.delete(token));
  };
  const rows = async () => [...(await inStore("readonly", (s) => s.getAll()) || []), ...memory];

  // --- sending ---
  const ask = async (method, token, headers, body) => {
    const stop = new AbortController();
    const timer = setTimeout(() => stop.abort(), 60000);
    try {
      const answer = await fetch(`/upload/${token}`, { method, headers, body, signal: stop.signal });
      return { status: answer.status, data: await answer.json().catch(() => ({})) };
    } finally { clearTimeout(timer); }
  };
  const send = async (row) => {
    const told = JSON.stringify({ job: row.job, role: row.role, replaced: row.replaced, size: row.blob.size });
    let begun = false;
    for (;;) {
      try {
        let found = begun ? await ask("GET", row.token) : await ask("PUT", row.token, { "Content-Type": "application/json" }, told);
        if (begun && found.status === 404) { begun = false; continue; }
        while (found.status === 200 && !found.data.answer) {
          begun = true;
          connected(true);
          const at = found.data.received;
          show(at / row.blob.size, at < row.blob.size ? "Sending the photograph …" : "Looking at it …");
          if (at < row.blob.size) {
            const piece = await row.blob.slice(at, at + PIECE).arrayBuffer();
            const headers = { "Content-Type": "application/octet-stream", "Upload-Offset": String(at) };
            found = await ask("PATCH", row.token, headers, piece);
          } else {
            await pause(400);
            found = await ask("GET", row.token);
          }
        }
        if (found.status === 507) say("Not taken yet", [found.data.sentence]);
        if (found.status === 429 || found.status >= 500) throw new Error("later");
        if (found.status === 422 && begun) { begun = false; throw new Error("again"); }
        if (found.status !== 200) {
          say("Not taken", [found.data.sentence || "The bench computer did not take it. Scan its code again."]);
          if (found.status === 403) return false;
        } else if (!found.data.answer.name) say("Take it again", found.data.answer.sentences);
        await forget(row.token);
        return true;
      } catch (error) {
        if (error.name === "NotReadableError" || error.name === "NotFoundError") {
          say("Take it again", ["The phone has lost the photograph."]);
          await forget(row.token);
          return true;
        }
        connected(false);
        await pause(Math.min(LONGEST_WAIT, 500 * 2 ** Math.min(fails, 4)));
      }
    }
  };
  let busy = false;
  const sendAll = async () => {
    if (busy) return;
    busy = true;
    try {
      for (let left = await rows(); left.length; left = await rows()) {
        if (!await send(left[0])) break;
        await refresh();
      }
    } finally { busy = false; sending.hidden = true; }
  };
  const show = (share, text) => { sending.hidden = false; bar.value = share; if (words.textContent !== text) words.textContent = text; };
  const connected = (yes) => { fails = yes ? 0 : fails + 1; offline.hidden = fails < 2; };
  const say = (heading, sentences) => {
    if (main.querySelector(".said.retake")) return;
    const box = document.createElement("section");
    box.className = "said retake";
    box.setAttribute("role", "status");
    const head = box.appendChild(document.createElement("h2"));
    head.textContent = heading;
    for (const sentence of sentences) box.appendChild(document.createElement("p")).textContent = sentence;
    main.prepend(box);
  };

  // --- the part that changes ---
  const refresh = async () => {
    if (!main.dataset.part) return;
    try {
      const answer = await fetch(`${main.dataset.part}?have=${mark}`);
      connected(answer.status < 500 && answer.status !== 429);
      if (answer.status === 403) { location.reload(); return; }
      if (answer.status !== 200) return;
      const text = await answer.text();
      const open = main.querySelector("details")?.open;
      const focused = document.activeElement;
      const at = main.contains(focused) ? [...main.querySelectorAll("a, button, summary")].indexOf(focused) : -1;
      main.replaceChildren(...new DOMParser().parseFromString(text, "text/html").body.childNodes);
      if (open && main.querySelector("details")) main.querySelector("details").open = true;
      if (at >= 0) main.querySelectorAll("a, button, summary")[at]?.focus({ preventScroll: true });
      mark = answer.headers.get("X-Mark") || "";
      const said = main.querySelector(".said");
      if (said && said.getBoundingClientRect().top < 0) said.scrollIntoView();
    } catch { connected(false); }
  };
  const watch = async () => {
    for (;;) {
      if (!document.hidden) await refresh();
      await pause(main.querySelector(".looking") ? 700 : 3000);
    }
  };

  // --- taking ---
  main.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-input]");
    if (!button) return;
    wanted = { role: button.dataset.role, replaced: button.dataset.replaced };
    document.getElementById(button.dataset.input).click();
  });
  for (const input of document.querySelectorAll(".picker")) {
    input.addEventListener("change", async () => {
      const file = input.files[0];
      if (!file || !wanted) return;
      const token = [...crypto.getRandomValues(new Uint8Array(16))].map((b) => b.toString(16).padStart(2, "0")).join("");
      show(0, "Sending the photograph …");
      const row = { token, job: main.dataset.job, ...wanted, blob: file };
      await keep(row);
      input.value = "";
      sendAll();
    });
  }
  addEventListener("online", () => { fails = 0; sendAll(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { refresh(); sendAll(); } });
  sendAll();
  if (main.dataset.part) watch();
})();

"use strict";
/* Traywarden's one script. Without it every form still works (post, look again). It does three things:
   1. a tap is kept in this phone until the farm's machine has taken it, and is sent once, with its own time;
   2. the page's parts are fetched anew when the machine says that something changed;
   3. a line that is lost is said, and comes back by itself. */
(() => {
  const KEPT = "traywarden.taps", TOLD = "traywarden.told";
  const line = document.getElementById("line");
  const person = () => document.body.dataset.person || "";
  let stoodOn = -1, lostSince = null, sending = false, again = null, stream = null, heardAt = Date.now(), waiting = new Set(), timer = null;

  const read = (key) => { try { return JSON.parse(localStorage.getItem(key)) || []; } catch { return []; } };
  const keep = (key, value) => { try { localStorage.setItem(key, JSON.stringify(value)); return true; } catch { return false; } };
  const element = (name, text, props) => Object.assign(document.createElement(name), { textContent: text }, props || {});
  const newKey = () => Array.from(crypto.getRandomValues(new Uint8Array(16)), (byte) => byte.toString(16).padStart(2, "0")).join("");
  const clock = (ms) => new Date(ms).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });

  /* what is said above the page */
  function tell() {
    const rows = [], kept = read(KEPT), mine = kept.filter((tap) => tap.by === person()), others = kept.length - mine.length;
    if (lostSince) rows.push(element("p", `No connection to the farm's machine since ${clock(lostSince)}. What you tap is kept in this phone, and sent when the line is back.`));
    if (mine.length && (lostSince || mine.some((tap) => Date.now() - tap.at > 3000))) rows.push(element("p", `${mine.length} ${mine.length === 1 ? "answer waits" : "answers wait"} to be sent.`));
    if (others) rows.push(element("p", `${others} of somebody else's answers wait here until they sign in.`));
    for (const each of read(TOLD)) {
      const row = element("p", each.says + " ");
      const away = element("button", "Read", { type: "button", className: "not" });
      away.addEventListener("click", () => { keep(TOLD, read(TOLD).filter((other) => other.tap !== each.tap)); tell(); });
      row.append(away);
      rows.push(row);
    }
    const text = rows.map((row) => row.textContent).join("\n");
    if (line.dataset.text !== text) { line.dataset.text = text; line.replaceChildren(...rows); }
  }
  const lost = () => { if (!lostSince) { lostSince = Date.now(); tell(); } };
  const found = () => { if (lostSince) { lostSince = null; tell(); } send(); };

  /* 1. taps */
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!form.matches("form[data-tap]")) return;
    if (form.dataset.sent) { event.preventDefault(); return; }
    const fields = [];
    for (const [name, value] of new FormData(form, event.submitter)) if (typeof value === "string" && name !== "csrf") fields.push([name, value]);
    for (const each of document.querySelectorAll(form.id === "all" ? "[data-grams]" : "never")) if (each.value) fields.push([`grams:${each.dataset.grams}`, each.value]);
    const tap = { tap: newKey(), path: new URL(form.action).pathname, fields, at: Date.now(), by: person(), says: event.submitter ? event.submitter.textContent.trim() : "" };
    if (!keep(KEPT, [...read(KEPT), tap])) return; /* nothing can be kept here: send it as a plain form */
    event.preventDefault();
    form.dataset.sent = "1";
    stoodOn = [...document.querySelectorAll("[data-line]")].indexOf(form.closest("[data-line]"));
    setTimeout(marked, 800);
    send();
  });

  /* show on each line what is kept for it */
  function marked() {
    const kept = read(KEPT).filter((tap) => tap.by === person());
    for (const row of document.querySelectorAll("[data-line]")) {
      const tap = kept.find((each) => each.fields.some(([name, value]) => name === "line" && value === row.dataset.line));
      const note = row.querySelector(":scope > .kept");
      if (!tap || (!lostSince && Date.now() - tap.at < 700)) { if (note) { note.remove(); delete row.dataset.kept; } continue; }
      if (note && note.dataset.tap === tap.tap) continue;
      if (note) note.remove();
      row.dataset.kept = tap.tap;
      const said = element("p", `${tap.says}, ${clock(tap.at)}: kept in this phone until it is sent`);
      const back = element("button", "Take it back", { type: "button", className: "not" });
      back.addEventListener("click", () => {
        keep(KEPT, read(KEPT).filter((each) => each.tap !== tap.tap));
        delete row.querySelector("form").dataset.sent;
        marked(); tell();
      });
      const box = element("div", "", { className: "kept" });
      box.dataset.tap = tap.tap;
      box.append(said, back);
      row.append(box);
    }
  }

  async function send() {
    if (sending) return;
    const taps = read(KEPT).filter((tap) => tap.by === person()).slice(0, 100);
    if (!taps.length) { tell(); return; }
    sending = true;
    clearTimeout(again);
    let wait = 4000;
    try {
      const answer = await fetch("/taps", {
        method: "POST", redirect: "manual", signal: AbortSignal.timeout(15000),
        headers: { "Content-Type": "application/json", Accept: "application/json", "X-Traywarden-Form": document.body.dataset.form },
        body: JSON.stringify({ sent_at: Date.now(), taps }),
      });
      if (answer.status === 401) { location.assign("/sign-in"); return; } /* what is kept here is sent after that */
      if (answer.status === 403) { await newToken(); wait = 500; }
      const said = answer.headers.get("content-type")?.startsWith("application/json") ? await answer.json() : {};
      const outcomes = said.outcomes || [];
      if (outcomes.length) {
        const done = new Set(outcomes.map((each) => each.tap));
        keep(KEPT, read(KEPT).filter((tap) => !done.has(tap.tap)));
        const spoken = outcomes.filter((each) => each.outcome !== "done" || taps.find((tap) => tap.tap === each.tap)?.fields.some(([name]) => name === "tell"));
        if (spoken.length) keep(TOLD, [...read(TOLD), ...spoken].slice(-8));
        await refresh();
      }
      if (answer.ok) lostSince = null;
      else if (answer.status !== 403 && !outcomes.length) lost();
    } catch { lost(); }
    sending = false;
    marked(); tell();
    if (read(KEPT).some((tap) => tap.by === person())) again = setTimeout(send, wait);
  }

  async function newToken() {
    const page = await fetch(location.href, { headers: { Accept: "text/html" } });
    if (page.redirected && new URL(page.url).pathname === "/sign-in") { location.assign("/sign-in"); return; }
    const fresh = new DOMParser().parseFromString(await page.text(), "text/html");
    if (fresh.body.dataset.form) document.body.dataset.form = fresh.body.dataset.form;
  }

  /* 2. parts that changed */
  const plain = (part) => part.outerHTML.replace(/value="[0-9a-f]{16,64}"/g, "").replace(/data-gone-in="\d+"/g, "").replace(/ open=""| data-sent="1"/g, "");
  const shown = new Map();
  const parts = () => document.querySelectorAll("[data-part]");
  for (const part of parts()) shown.set(part.dataset.part, plain(part));

  async function refresh() {
    const answer = await fetch(location.href, { headers: { Accept: "text/html" }, signal: AbortSignal.timeout(15000) });
    if (answer.redirected && new URL(answer.url).pathname === "/sign-in") { location.reload(); return; }
    if (!answer.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
    document.body.dataset.form = fresh.body.dataset.form || document.body.dataset.form;
    for (const part of parts()) {
      const next = fresh.querySelector(`[data-part="${CSS.escape(part.dataset.part)}"]`);
      if (!next) continue;
      const text = plain(next);
      const idle = !part.querySelector("form[data-sent]");
      if (text === shown.get(part.dataset.part) && idle) continue;
      shown.set(part.dataset.part, text);
      swap(part, next);
    }
    marked(); fade(); drawn();
  }

  /* pictures are loaded when the page stands: its words are there before them */
  async function drawn() {
    const width = matchMedia("(min-width: 48rem)").matches ? "wide" : "narrow";
    for (const figure of document.querySelectorAll("figure[data-picture]")) {
      if (figure.dataset.drawn === figure.dataset.picture) continue;
      figure.dataset.drawn = figure.dataset.picture;
      try {
        const answer = await fetch(`${figure.dataset.picture}?width=${width}&theme=page`);
        if (!answer.ok) continue;
        const svg = new DOMParser().parseFromString(await answer.text(), "image/svg+xml").documentElement;
        if (svg.nodeName !== "svg") continue;
        for (const old of figure.querySelectorAll(":scope > svg")) old.remove();
        figure.prepend(document.importNode(svg, true));
      } catch { delete figure.dataset.drawn; }
    }
  }

  /* put a part in place, and leave what a person has opened, ticked, typed or stands on as it is */
  function swap(part, next) {
    const name = (each) => each.dataset.keep || each.dataset.grams || `${each.name}=${each.type === "checkbox" || each.type === "radio" ? each.value : each.closest("[data-line]")?.dataset.line || ""}`;
    const open = new Set([...part.querySelectorAll("details[open]")].map(name));
    const typed = new Map([...part.querySelectorAll("input:not([type=hidden]), select, textarea")].filter((each) => each.type === "checkbox" || each.type === "radio" ? each.checked !== each.defaultChecked : each.value !== (each.defaultValue ?? "")).map((each) => [name(each), each]));
    const at = document.activeElement && part.contains(document.activeElement) ? document.activeElement : null;
    const path = at ? (at.id || "") : "", lineAt = at?.closest("[data-line]")?.dataset.line, which = at?.value ?? at?.textContent;
    const fresh = document.importNode(next, true);
    for (const each of fresh.querySelectorAll("details")) if (open.has(name(each))) each.open = true;
    for (const each of fresh.querySelectorAll("input:not([type=hidden]), select, textarea")) {
      const old = typed.get(name(each));
      if (old && old.type === each.type) { if (each.type === "checkbox" || each.type === "radio") each.checked = old.checked; else each.value = old.value; }
    }
    part.replaceWith(fresh);
    const index = stoodOn;
    stoodOn = -1;
    if (!at && (index < 0 || document.activeElement !== document.body)) return;
    const row = lineAt && fresh.querySelector(`[data-line="${CSS.escape(lineAt)}"]`);
    const same = (path && document.getElementById(path)) || (row && [...row.querySelectorAll(at.tagName)].find((each) => (each.value ?? each.textContent) === which));
    const rows = fresh.querySelectorAll("[data-line]"), next_ = index >= 0 ? rows[Math.min(index, rows.length - 1)] : null;
    (same || next_?.querySelector("h3 a") || document.getElementById("main")).focus({ preventScroll: true }); /* on to the line that took its place */
  }

  /* what can be taken back for a minute goes when the minute is over */
  function fade() {
    for (const each of document.querySelectorAll("[data-gone-in]")) {
      if (each.dataset.timed) continue;
      each.dataset.timed = "1";
      setTimeout(() => each.remove(), Number(each.dataset.goneIn) * 1000);
    }
  }

  function rang(topics) {
    if (document.hidden) return; /* a page that nobody sees is fetched anew when it is seen again */
    for (const topic of topics) waiting.add(topic);
    const wanted = [...parts()].some((part) => (part.dataset.on || "").split(" ").some((topic) => waiting.has(topic)));
    if (!wanted) { waiting.clear(); return; }
    if (timer) return;
    timer = setTimeout(async () => {
      timer = null; waiting.clear();
      try { await refresh(); } catch { lost(); }
    }, 100);
  }

  /* 3. the line */
  function listen() {
    if (stream) stream.close();
    stream = new EventSource("/events");
    stream.addEventListener("beat", () => { heardAt = Date.now(); found(); });
    stream.addEventListener("changed", (event) => { heardAt = Date.now(); found(); rang(event.data.split(" ")); });
    stream.addEventListener("error", () => {
      stream.close(); stream = null;
      refresh().catch(lost); /* a machine that answers, but lets us in no more, sends us to sign in */
      setTimeout(() => { if (!stream) listen(); }, 2000);
    });
  }
  let wasLost = false;
  setInterval(() => {
    if (stream && Date.now() - heardAt > 25000) { lost(); heardAt = Date.now(); listen(); }
    if (wasLost && !lostSince) rang(["ledger", "readings", "alarms", "clock"]);
    wasLost = Boolean(lostSince);
    tell();
  }, 1000);
  setInterval(() => rang(["clock"]), 60000);
  window.addEventListener("offline", lost);
  window.addEventListener("online", () => { listen(); send(); });
  window.addEventListener("storage", () => { marked(); tell(); });
  document.addEventListener("visibilitychange", () => { if (!document.hidden) { rang(["clock", "ledger", "readings", "alarms"]); send(); } });
  window.addEventListener("pagehide", () => { if (stream) { stream.close(); stream = null; } });
  window.addEventListener("pageshow", (event) => { if (event.persisted) listen(); });

  if (person()) { listen(); marked(); send(); }
  fade(); tell(); drawn();
})();

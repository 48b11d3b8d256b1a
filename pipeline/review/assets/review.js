/* The page of a case: findings on the left, what they rest on beside them. */
"use strict";
(() => {
  const start = JSON.parse(document.getElementById("data").textContent);
  const base = start.base, looks = start.looks, $ = (id) => document.getElementById(id);
  const api = `${base}/api/case/${encodeURIComponent(start.view.case)}`;
  const SVG = "http://www.w3.org/2000/svg";
  const DONE = { keep: "Keep as it is", cut: "Cut out", freeze: "Hold the last clear frame", clear: "Restore contrast",
    replace: "Replace with room sound", blank: "Black out" };
  let view = start.view;
  let chosen = null;        /* id of the finding shown */
  let now = 0;              /* case time of the picture */
  let panel = "finding";
  let playing = false, hear = "off";
  let positions = [];       /* marks as shown, while dragged ahead of the saved ones */
  let wait = 0;             /* timer of planning again */
  let box = null;           /* redaction being drawn: x, y, w, h in source pixels */

  const calm = matchMedia("(prefers-reduced-motion: reduce)");
  const clamp = (v, a, b) => Math.min(b, Math.max(a, v));
  const clock = Plots.clock;
  const say = (text) => { $("said").textContent = ""; setTimeout(() => { $("said").textContent = text; }, 30); };

  /* h("p", {class: "sub", onclick: f}, "text", child) */
  function h(tag, props = {}, ...children) {
    const e = document.createElement(tag);
    for (const [k, v] of Object.entries(props)) {
      if (v === undefined || v === null || v === false) continue;
      if (k === "value") { e.setAttribute(k, v); continue; }
      if (k.startsWith("on")) e.addEventListener(k.slice(2), v);
      else if (k in e && k !== "list" && k !== "form" && typeof v !== "string") e[k] = v;
      else e.setAttribute(k, v === true ? "" : v);
    }
    e.append(...children.filter((c) => c !== null && c !== undefined));
    return e;
  }
  function s(tag, props, ...children) {
    const e = document.createElementNS(SVG, tag);
    for (const [k, v] of Object.entries(props)) if (v !== undefined && v !== null) e.setAttribute(k, v);
    e.append(...children);
    return e;
  }

  /* ---- asking the server ---- */
  async function ask(path, body) {
    let answer;
    try {
      answer = await fetch(path, body === undefined ? {} :
        { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body) });
    } catch {
      throw { status: 0, what: "The program does not answer", got: "", do: "start it again; this page then goes on by itself" };
    }
    if (answer.ok) return answer;
    let said = {};
    try { said = await answer.json(); } catch { /* not JSON */ }
    throw { status: answer.status, what: said.what || "The request failed", got: said.got || "", do: said.do || "" };
  }
  /* The answer as data; an answer that breaks off counts as none. */
  async function tell(path, body) {
    const answer = await ask(path, body);
    try { return await answer.json(); } catch { throw { status: 0, what: "The program does not answer", got: "", do: "" }; }
  }
  function notice(text, ...buttons) {
    const n = $("notice");
    n.replaceChildren(h("span", {}, text), ...buttons, h("button", { type: "button", onclick: () => { n.hidden = true; } }, "Close"));
    n.hidden = false;
  }
  const sentence = (e) => [e.what, e.got, e.do].filter(Boolean).map((t) => t.replace(/\.$/, "")).join(". ") + ".";

  function initials() {
    const by = $("by").value.trim();
    if (/^[A-Za-z]{1,4}$/.test(by)) { $("by").classList.remove("missing"); return by; }
    $("by").classList.add("missing");
    $("by").focus();
    notice("Give your initials first: 1 to 4 letters.");
    return null;
  }

  /* What could harm somebody is let through for a reason of a short list only. */
  function reject(f) {
    if (f.reasons.length && !f.reasons.includes(reason())) {
      if (!$("reason")) open("finding", true);
      notice("Choose the reason first.");
      if ($("reason")) $("reason").focus();
      return;
    }
    decide({ verb: "reject", finding: f.id, reason: reason() }, f.reasons.length ? "Let through" : "Rejected");
  }
  /* Decisions wait in a line and are sent one after the other. Each has an id of its own: one that is sent
     twice counts once. The line is kept beside the page as well, so that neither a dead program nor a reload
     loses one. `seen`: the state that the person saw; one behind another follows on from it. */
  const lineKey = `line ${start.view.case}`;
  let line = [], sending = false, away = 0;
  try { line = JSON.parse(sessionStorage.getItem(lineKey) || "[]"); } catch { /* none kept */ }
  function keepLine() {
    sessionStorage.setItem(lineKey, JSON.stringify(line.map(({ id, by, seen, what }) => ({ id, by, seen, what }))));
  }
  const newId = () => [...crypto.getRandomValues(new Uint8Array(12))].map((x) => x.toString(16).padStart(2, "0")).join("");
  function decide(what, done) {
    const by = initials();
    if (!by) return Promise.resolve(false);
    const same = JSON.stringify(what);
    if (line.some((one) => JSON.stringify(one.what) === same)) return Promise.resolve(false);  /* pressed twice */
    const f = what.finding && find(what.finding);
    if (f && f.decision && !what.reason && f.decision.verb === what.verb && ["accept", "reject"].includes(what.verb)) {
      say(`Already ${what.verb}ed by ${f.decision.by}`);
      return Promise.resolve(false);
    }
    if ($("reason")) $("reason").value = "";
    return new Promise((resolve) => {
      line.push({ id: newId(), by, seen: line.length ? null : view.version, what, done, resolve });
      keepLine();
      send();
    });
  }
  function answered(one, said) { line.shift(); keepLine(); if (one.resolve) one.resolve(said); }
  async function send() {
    if (sending || away) return;
    sending = true;
    clearTimeout(wait);
    while (line.length) {
      const one = line[0];
      let next;
      try {
        state("Saving …");
        next = await tell(`${api}/decide`, { version: one.seen ?? view.version, by: one.by, id: one.id, ...one.what });
      } catch (e) {
        if (!e.status) { offline(); break; }
        await refresh().catch(() => {});
        if (e.status === 409) { overtaken(line.splice(0)); keepLine(); break; }
        notice(sentence(e));
        answered(one, false);
        continue;
      }
      $("notice").hidden = true;
      answered(one, true);
      take(next);
      if (one.done) say(one.done);
    }
    sending = false;
    if (!away && !line.length && !view.current) wait = setTimeout(plan, 900);
    state();
  }
  function overtaken(mine) {
    for (const one of mine) if (one.resolve) one.resolve(false);
    const what = mine.length === 1 ? "Yours was" : `Your ${mine.length} were`;
    notice(`Somebody decided something meanwhile, in another tab perhaps. ${what} not saved; this is the newer state.`,
      h("button", { type: "button", onclick: () => { for (const one of mine) decide(one.what, one.done); } }, "Save mine too"));
  }
  /* The program is gone: what was decided waits here, and the page asks again by itself. */
  function offline() {
    if (away) return;
    document.body.dataset.away = "yes";
    const kept = line.length === 1 ? "One decision is kept here and sent when it is back. " : line.length ? `${line.length} decisions are kept here and sent when it is back. ` : "";
    notice(`The program does not answer. ${kept}Start it again with “fieldstop review” on the same folder; this page then goes on by itself. If it does not, open the address that the program shows.`);
    const again = async () => {
      if (!(await isBack())) { away = setTimeout(again, 1200); return; }
      away = 0;
      delete document.body.dataset.away;
      $("notice").hidden = true;
      await refresh().catch(() => {});
      send(); look();
    };
    away = setTimeout(again, 800);
    state();
  }
  /* Is it the same program? It proves that it knows the secret of this page; the secret itself is not sent
     to whoever listens on the port now. */
  async function isBack() {
    const nonce = newId();
    try {
      const answer = await fetch(`/hello/${nonce}`, { cache: "no-store" });
      if (!answer.ok) return false;
      const text = new TextEncoder(), key = await crypto.subtle.importKey("raw", text.encode(base.slice(1)), { name: "HMAC", hash: "SHA-256" }, false, ["sign"]);
      const want = new Uint8Array(await crypto.subtle.sign("HMAC", key, text.encode(nonce)));
      return (await answer.text()) === [...want].map((x) => x.toString(16).padStart(2, "0")).join("");
    } catch { return false; }
  }
  /* When all that was decided has been answered. */
  async function settledLine() { while (line.length && !away) await new Promise((go) => { setTimeout(go, 40); }); }
  async function refresh() { take(await tell(api)); }
  async function plan() {
    clearTimeout(wait);
    if (view.current) return;
    try { state("Working it in …"); take(await tell(`${api}/plan`, {})); } catch (e) { if (e.status) notice(sentence(e)); else offline(); state(); }
  }
  function state(text) {
    const left = view.findings.filter((f) => f.needs).length;
    $("state").textContent = text || [
      left ? `${left} to settle` : "all settled",
      view.signed ? `signed off by ${view.signed.by}` : null,
      view.current ? null : "your last decisions are being worked in",
      view.segments.some((g) => g.coarse) ? "the preview is still coarse, 3 pictures a second" : null,
      away ? `not connected${line.length ? `, ${line.length} waiting` : ""}` : line.length ? "saving …" : "saved"].filter(Boolean).join(" · ");
  }

  /* ---- a new state of the case ---- */
  function take(next) {
    view = next;
    positions = view.mark.positions.map((p) => ({ ...p }));
    $("undo").disabled = !view.undo; $("redo").disabled = !view.redo;
    $("undo").title = view.undo ? `Undo: ${view.undo}` : ""; $("redo").title = view.redo ? `Redo: ${view.redo}` : "";
    if (!find(chosen)) chosen = view.findings.length ? view.findings[0].id : null;
    shapeStage();
    for (const [n, v] of videos) if (view.segments[n]) shapeVideo(v, view.segments[n]);
    list(); freshPlots(); marksOfPlots(); draw(); showPanel(); state();
  }
  const find = (id) => view.findings.find((f) => f.id === id);

  /* ---- the list ---- */
  function disc(f) {
    const level = f.level === null ? 1 : f.level, tall = 30 * level;
    return s("svg", { class: "disc", width: 36, height: 36, viewBox: "0 0 36 36", "aria-hidden": "true" },
      s("g", { "clip-path": "url(#disc-clip)" }, s("rect", { x: 3, y: 33 - tall, width: 30, height: tall, fill: `url(#hatch-${looks[f.kind] ? f.kind : "withheld"})` })),
      s("circle", { class: "rim", cx: 18, cy: 18, r: 15 }),
      (() => { const t = s("text", { x: 18, y: 22 }); t.textContent = (looks[f.kind] || { sign: "•" }).sign; return t; })());
  }
  const label = (f) => (looks[f.kind] || { label: f.kind[0].toUpperCase() + f.kind.slice(1).replace(/[_-]/g, " ") }).label;
  function word(f) {
    if (f.needs) return "to settle";
    if (!f.decision) return DONE[f.action] || f.action;
    const verb = { accept: "✓ accepted", reject: "✗ no finding", change: "✎ changed", add: "＋ added" }[f.decision.verb];
    return `${verb}, ${f.decision.by}`;
  }
  function list() {
    const focused = document.activeElement && document.activeElement.dataset.finding;
    const rows = view.findings.map((f) => h("li", { class: `${f.needs ? "needs" : ""} ${f.decision ? "done" : ""} ${f.decision && f.decision.verb === "reject" ? "rejected" : ""}` },
      h("button", { type: "button", "data-finding": f.id, "aria-current": f.id === chosen ? "true" : null, onclick: () => choose(f.id, true) },
        disc(f),
        h("span", {}, h("strong", {}, label(f)), h("span", { class: "sub num" }, `${clock(f.start)} – ${clock(f.stop)} · ${f.bad}`)),
        h("span", { class: "mark" }, word(f)))));
    $("findings").replaceChildren(...rows);
    const left = view.findings.filter((f) => f.needs).length;
    $("count").textContent = `${view.findings.length} in all, ${left} to settle`;
    if (focused) { const b = $("findings").querySelector(`[data-finding="${CSS.escape(focused)}"]`); if (b) b.focus({ preventScroll: true }); }
  }
  function choose(id, go) {
    const f = find(id);
    if (!f) return;
    chosen = id;
    for (const b of $("findings").querySelectorAll("button")) {
      if (b.dataset.finding === id) { b.setAttribute("aria-current", "true"); b.scrollIntoView({ block: "nearest" }); }
      else b.removeAttribute("aria-current");
    }
    panel = "finding";
    if (go) { stop(); zoomTo(f); seek(worst(f)); }
    marksOfPlots(); showPanel(); draw();
    say(`${label(f)}, ${clock(f.start)} to ${clock(f.stop)}, ${f.bad}, ${word(f)}`);
  }
  /* The moment of greatest loss in a finding, or its middle. */
  function worst(f) {
    const p = plots.loss;
    let best = (f.start + f.stop) / 2, top = -1;
    if (p && f.level !== null) p.time.forEach((t, i) => {
      const v = (p.series[f.kind] || p.series.contrast_loss)[i];
      if (t >= f.start && t < f.stop && v !== null && v > top) { top = v; best = t; }
    });
    return best;
  }
  function step(by) {
    const at = view.findings.findIndex((f) => f.id === chosen);
    const next = view.findings[clamp(at + by, 0, view.findings.length - 1)];
    if (next) choose(next.id, true);
  }

  /* The next finding that needs a person: after the chosen one in time, else the first. */
  function unsettled() {
    const left = view.findings.filter((f) => f.needs && f.id !== chosen), f = find(chosen);
    const next = left.find((x) => f && x.start >= f.start) || left[0];
    if (next) choose(next.id, true);
    else say(f && f.needs ? "This is the last one to settle" : "All findings are settled");
  }

  /* ---- plots: one time axis ---- */
  const plots = {};
  let fetching = 0, whole = true;
  function makePlots() {
    for (const name of ["loss", "difference", "gain"]) {
      const spec = view.plots[name];
      if (!spec || plots[name]) continue;
      const title = h("h3", {}, spec.name), holder = h("div", { class: `plot plot-${name}` }, title);
      const host = h("div");
      holder.append(host);
      $("plots").append(holder);
      plots[name] = Plots.draw(host, spec, looks, {
        onPick: (t) => { stop(); seek(t); },
        onStep: (t) => { stop(); seek(t); },
        onRange: (a, b) => refine(a, b),
        onDraw: name === "loss" ? placeHandles : undefined,
        onName: (text) => { title.textContent = text; },
      });
      const other = Object.values(plots).find((p) => p !== plots[name]);
      if (other) plots[name].show(...other.range, true);  /* it came later: the same part of time */
    }
    if (plots.loss && !plots.loss.host.querySelector(".handle")) for (const end of ["start", "stop"]) {
      const b = h("button", { type: "button", class: "handle", role: "slider", "data-end": end, hidden: true,
        onpointerdown: (e) => dragEnd(e, end), onkeydown: (e) => keyEnd(e, end) });
      plots.loss.host.append(b);
    }
  }
  /* The sound's curves change with the plan, and some come only with it. */
  function freshPlots() {
    makePlots();
    const p = first();
    if (!p) return;
    for (const [name, plot] of Object.entries(plots)) if (view.plots[name]) plot.setSpec(view.plots[name]);
    if (p.range[0] <= p.full[0] + 0.001 && p.range[1] >= p.full[1] - 0.001) {
      for (const [name, plot] of Object.entries(plots)) if (view.plots[name]) plot.setData(view.plots[name].data);
    } else refine(...p.range);
  }
  function marksOfPlots() {
    if (!plots.loss) return;
    const seen = ["fog", "smudge", "blur", "dark", "glare", "out_of_body", "damage"];
    plots.loss.spec.lanes = [
      { kind: "speech", name: "speech in the room", spans: view.findings.filter((f) => f.kind === "speech" || f.kind === "undecided").map((f) => [f.start, f.stop]) },
      { kind: "lettering", name: "lettering, faces", spans: view.findings.filter((f) => ["lettering", "face"].includes(f.kind)).map((f) => [f.start, f.stop]) },
      { kind: "narration", name: "narrator speaks", spans: view.narration },
    ];
    plots.loss.chosen = find(chosen) ? { kind: find(chosen).kind, start: find(chosen).start } : null;
    if (!plots.loss.tall) { plots.loss.tall = true; plots.loss.build(); }
    plots.loss.setEvents(view.findings.filter((f) => seen.includes(f.kind) && !(f.decision && f.decision.verb === "reject")));
  }
  function refine(a, b) {
    clearTimeout(fetching);
    fetching = setTimeout(async () => {
      const full = a <= 0.001 && b >= view.duration - 0.001;
      try {
        const data = full ? null : await (await ask(`${api}/series?start=${a.toFixed(3)}&stop=${b.toFixed(3)}&points=1400`)).json();
        for (const [name, p] of Object.entries(plots)) {
          if (full ? view.plots[name] : data[name]) p.setData(full ? view.plots[name].data : data[name]);
        }
        whole = full;
      } catch { /* the coarse one stays */ }
    }, 120);
  }
  const first = () => plots.loss || plots.difference || plots.gain;
  function zoomTo(f) {
    const p = first(), pad = Math.max(4, 1.2 * (f.stop - f.start));
    if (p) p.show(f.start - pad, f.stop + pad);
  }
  function zoomBy(k) {
    const p = first();
    if (!p) return;
    const [a, b] = p.range, w = (b - a) * k, mid = clamp(now, a, b), left = (mid - a) / (b - a || 1);
    p.show(mid - w * left, mid + w * (1 - left));
  }
  const zoomAll = () => { const p = first(); if (p) p.show(...p.full); };

  function placeHandles(p) {
    const f = find(chosen), ok = f && f.actions.length && looks[f.kind];
    for (const b of p.host.querySelectorAll(".handle")) {
      if (!ok) { b.hidden = true; continue; }
      const t = drag && drag.end === b.dataset.end ? drag.t : f[b.dataset.end];
      const host = p.host.getBoundingClientRect(), area = p.u.over.getBoundingClientRect();
      const x = p.u.valToPos(t, "x") + area.left - host.left;
      b.hidden = t < p.range[0] || t > p.range[1];
      b.style.left = `${x}px`;
      b.style.top = `${area.top - host.top}px`;
      b.style.height = `${area.height}px`;
      b.setAttribute("aria-label", b.dataset.end === "start" ? `Start of ${label(f)}` : `End of ${label(f)}`);
      b.setAttribute("aria-valuemin", "0"); b.setAttribute("aria-valuemax", view.duration.toFixed(1));
      b.setAttribute("aria-valuenow", t.toFixed(1)); b.setAttribute("aria-valuetext", clock(t));
    }
  }
  let drag = null;
  function tryEnd(f, end, t) {
    return end === "start" ? clamp(t, 0, f.stop - 0.1) : clamp(t, f.start + 0.1, view.duration);
  }
  function preview(f, end, t) {
    drag = { end, t, id: f.id };
    const events = plots.loss.spec.events.map((e) => (e.id === f.id ? { ...e, [end]: t } : e));
    if (plots.loss.chosen && end === "start") plots.loss.chosen.start = t;
    plots.loss.setEvents(events);
    seek(t);
  }
  function dragEnd(e, end) {
    const f = find(chosen), p = plots.loss;
    if (!f) return;
    e.preventDefault(); e.stopPropagation();
    const b = e.currentTarget;
    b.focus(); b.setPointerCapture(e.pointerId);
    stop();
    const move = (m) => preview(f, end, tryEnd(f, end, p.u.posToVal(m.clientX - p.u.over.getBoundingClientRect().left, "x")));
    const up = () => {
      b.removeEventListener("pointermove", move); b.removeEventListener("pointerup", up); b.removeEventListener("pointercancel", up);
      const d = drag; drag = null;
      if (d) setEnd(f, end, d.t);
    };
    b.addEventListener("pointermove", move); b.addEventListener("pointerup", up); b.addEventListener("pointercancel", up);
  }
  let keyed = 0;
  function keyEnd(e, end) {
    const by = { ArrowLeft: -1, ArrowRight: 1 }[e.key], f = find(chosen);
    if (!by || !f) return;
    e.preventDefault(); e.stopPropagation();
    const t = tryEnd(f, end, (drag ? drag.t : f[end]) + by * (e.shiftKey ? 1 : 0.1));
    preview(f, end, t);
    clearTimeout(keyed);
    keyed = setTimeout(() => { const d = drag; drag = null; if (d) setEnd(f, end, d.t); }, 500);
  }
  function setEnd(f, end, t) {
    const at = { start_s: f.start, stop_s: f.stop, [`${end}_s`]: Math.round(t * 1000) / 1000 };
    decide({ verb: "change", finding: f.id, value: at, reason: reason() }, `${end === "start" ? "Start" : "End"} at ${clock(t)}`);
  }

  /* ---- picture ---- */
  const videos = new Map();
  function segmentAt(t) {
    const all = view.segments;
    let found = all.findIndex((g) => t >= g.start && t < g.start + g.length);
    if (found < 0) found = t < 0 ? 0 : all.length - 1;
    return found;
  }
  function video(n) {
    const g = view.segments[n];
    if (!g || g.proxy === null) return null;
    const old = videos.get(n);
    if (old && old.coarse && !g.coarse && !playing) { old.remove(); videos.delete(n); kept = ""; }
    if (!videos.has(n)) {
      const v = h("video", { muted: true, playsInline: true, preload: "auto", src: `${base}/proxy/${encodeURIComponent(view.case)}/${g.proxy}${g.coarse ? "?coarse" : ""}`, "aria-hidden": "true", tabindex: "-1" });
      v.muted = true;
      v.coarse = g.coarse;
      shapeVideo(v, g);
      v.addEventListener("seeked", () => { v.busy = false; if (v.want !== undefined) { const w = v.want; v.want = undefined; put(v, w); } });
      v.addEventListener("error", () => { v.busy = false; });
      v.addEventListener("loadedmetadata", () => { if (v.want !== undefined) { const w = v.want; v.want = undefined; put(v, w); } });
      $("stage").prepend(v);
      videos.set(n, v);
    }
    return videos.get(n);
  }
  /* One seek at a time; the last wanted one follows: that keeps scrubbing at the pace of the decoder. */
  function put(v, t) {
    if (v.busy || v.readyState < 1) { v.want = t; return; }
    if (Math.abs(v.currentTime - t) < 0.0005) return;
    v.busy = true;
    v.currentTime = t;
  }
  function seek(t, from) {
    now = clamp(t, 0, Math.max(0, view.duration - 0.001));
    const n = segmentAt(now), g = view.segments[n], v = video(n);
    for (const [k, other] of videos) other.classList.toggle("on", k === n);
    if (v) $("nopicture").hidden = true;
    if (v && from !== "video") put(v, now - g.start + g.from + 0.4 / (g.rate || 25));
    $("clock").textContent = `${clock(now, 2)} / ${clock(view.duration)}`;
    if (from !== "scrub") $("scrub").value = now;
    $("scrub").setAttribute("aria-valuetext", clock(now));
    for (const p of Object.values(plots)) p.playheadAt(now);
    $("making").hidden = !still();
    if (still()) finished(); else $("finished").hidden = true;
    draw();
  }
  function frame(by) {
    stop();
    const g = view.segments[segmentAt(now)], rate = g.rate || 25;
    const k = Math.round((now - g.start + g.from) * rate) + by;
    seek(k / rate - g.from + g.start + 1e-4);
  }
  /* A finished picture is shown when asked for, or as long as there is no small copy. */
  const still = () => !playing && ($("asfinished").getAttribute("aria-pressed") === "true" || !video(segmentAt(now)));
  let frames = 0;
  function finished() {
    clearTimeout(frames);
    const at = now;
    frames = setTimeout(async () => {
      try {
        const answer = await ask(`${api}/frame?at=${at.toFixed(4)}&v=${view.version}`);
        if (answer.status === 204) { $("finished").hidden = true; $("making").hidden = true; $("nopicture").hidden = Boolean(video(segmentAt(now))); return; }
        const img = $("finished"), old = img.src;
        img.src = URL.createObjectURL(await answer.blob());
        await img.decode().catch(() => {});
        if (old.startsWith("blob:")) URL.revokeObjectURL(old);
        img.hidden = !still();
        if (at === now) $("making").hidden = true;
        $("nopicture").hidden = !img.hidden || Boolean(video(segmentAt(now)));
      } catch (e) { if (e.status) notice(sentence(e)); else offline(); }
    }, 90);
  }
  $("asfinished").addEventListener("click", () => {
    const on = $("asfinished").getAttribute("aria-pressed") !== "true";
    $("asfinished").setAttribute("aria-pressed", String(on));
    seek(now);
  });

  /* ---- play and listen ---- */
  const ears = { mixed: new Audio(), raw: new Audio() };
  let heard = null;           /* span of what is loaded: {a, b, key} */
  function soundKey() {
    const f = [...$("panel").querySelectorAll("[data-sound]")].map((i) => `&${i.dataset.sound}=${encodeURIComponent(i.value)}`).join("");
    return f;
  }
  async function load(a, b) {
    const key = `${a.toFixed(2)} ${b.toFixed(2)} ${view.version} ${soundKey()}`;
    if (heard && heard.key === key) return;
    const kinds = ["mixed", "raw"];
    const began = performance.now();
    const got = await Promise.all(kinds.map(async (k) =>
      (await ask(`${api}/sound?start=${a.toFixed(3)}&stop=${b.toFixed(3)}&mixed=${k === "mixed" ? 1 : 0}${k === "mixed" ? soundKey() : ""}`)).blob()));
    kinds.forEach((k, i) => {
      if (ears[k].src) URL.revokeObjectURL(ears[k].src);
      ears[k].src = URL.createObjectURL(got[i]);
    });
    heard = { a, b, key, ms: performance.now() - began };
    document.body.dataset.heardMs = heard.ms.toFixed(0);
  }
  async function play() {
    if (playing) { stop(); return; }
    if (now >= view.duration - 0.05) seek(0);
    playing = true;
    $("play").textContent = "■"; $("play").setAttribute("aria-label", "Stop");
    $("finished").hidden = true; $("making").hidden = true;
    if (hear !== "off") {
      const range = first() ? first().range : [0, view.duration];
      const a = now >= range[0] && now < range[1] - 0.2 ? now : range[0];
      const b = Math.min(range[1], a + 60);
      try { await load(a, b); } catch (e) { notice(sentence(e)); stop(); return; }
      if (!playing) return;
      seek(a);
      for (const k of ["mixed", "raw"]) { ears[k].currentTime = 0; ears[k].muted = k !== hear; }
      try { await Promise.all([ears.mixed.play(), ears.raw.play()]); } catch { stop(); return; }
    }
    run();
  }
  function stop() {
    if (!playing) return;
    playing = false;
    $("play").textContent = "▶"; $("play").setAttribute("aria-label", "Play");
    for (const v of videos.values()) v.pause();
    for (const k of ["mixed", "raw"]) ears[k].pause();
    seek(now);
  }
  function run() {
    let n = segmentAt(now), v = video(n), last = performance.now();
    if (v) { v.playbackRate = 1; v.play().catch(() => {}); }
    const tick = () => {
      if (!playing) return;
      const g = view.segments[n], t0 = performance.now();
      let t = now + (t0 - last) / 1000;
      last = t0;
      if (hear !== "off" && heard) {
        t = heard.a + ears[hear].currentTime;
        if (ears[hear].ended || t >= heard.b - 0.02) { now = Math.min(heard.b, view.duration); stop(); return; }
        const want = t - g.start + g.from;
        if (v && v.readyState > 1 && Math.abs(v.currentTime - want) > 0.15) put(v, want);
      } else if (v && v.readyState > 1 && !v.paused) t = v.currentTime - g.from + g.start;
      if (t >= view.duration - 0.03) { now = view.duration; stop(); return; }
      if (t >= g.start + g.length) {
        if (v) v.pause();
        n = Math.min(n + 1, view.segments.length - 1); v = video(n); t = Math.max(t, view.segments[n].start);
        seek(t);
        if (v) v.play().catch(() => {});
      } else seek(t, "video");
      const p = first();
      if (p && hear === "off" && (t > p.range[1] || t < p.range[0])) { const w = p.range[1] - p.range[0]; p.show(t - 0.02 * w, t + 0.98 * w); }
      requestAnimationFrame(tick);
    };
    requestAnimationFrame(tick);
  }
  function listen(kind) {
    hear = kind;
    for (const b of document.querySelectorAll("[data-hear]")) b.setAttribute("aria-pressed", String(b.dataset.hear === kind));
    if (playing && kind !== "off" && heard && !ears.mixed.paused) { for (const k of ["mixed", "raw"]) ears[k].muted = k !== kind; return; }
    if (playing) stop();
    if (kind !== "off") play();
  }
  for (const b of document.querySelectorAll("[data-hear]")) b.addEventListener("click", () => listen(b.dataset.hear));

  /* ---- what is drawn over the picture ---- */
  /* The stage has the shape of the finished clip; each recording lies in it as it will lie in the clip:
     whole, in the middle, never stretched. The drawing over it follows by its viewBox. */
  function shapeStage() {
    const [w, h] = view.canvas;
    $("stage").style.setProperty("--shape", `${w} / ${h}`);
    $("stage").style.setProperty("--ratio", w / h);
  }
  function shapeVideo(v, g) {
    const [w, h] = view.canvas, wide = g.width / g.height > w / h;
    v.style.aspectRatio = `${g.width} / ${g.height}`;
    v.style.width = wide ? "100%" : "auto";
    v.style.height = wide ? "auto" : "100%";
  }
  function place() {
    const g = view.segments[segmentAt(now)];
    if (!g) return null;
    const t = now - g.start + g.from;
    const f = g.fields.find((x) => t >= x.start && t < x.stop) || g.fields[g.fields.length - 1];
    return { g, t, f };
  }
  let kept = "";
  function draw() {
    const at = place(), over = $("over");
    if (!at) return;
    const { g, t, f } = at;
    const plain = still();
    const boxes = view.findings.filter((x) => x.box && now >= x.start && now < x.stop && !(x.decision && x.decision.verb === "reject"));
    const key = JSON.stringify([g.width, g.height, f, positions, boxes.map((b) => b.box), plain, box, panel]);
    if (key === kept) return;
    kept = key;
    const focus = document.activeElement && document.activeElement.dataset.mark;
    over.setAttribute("viewBox", `0 0 ${g.width} ${g.height}`);
    const out = [];
    if (f && f.shape && !plain) {
      for (const under of [" under", ""]) {
        if (f.shape.points) out.push(s("polygon", { class: `field-edge${under}`, points: f.shape.points }));
        else {
          const a = f.shape;
          if (!under) out.unshift(s("clipPath", { id: "cut" }, s("rect", { x: a.x, y: a.y, width: a.w, height: a.h })), s("clipPath", { id: "round" }, s("circle", { cx: a.cx, cy: a.cy, r: a.r })));
          out.push(s("circle", { class: `field-edge${under}`, cx: a.cx, cy: a.cy, r: a.r, "clip-path": "url(#cut)" }),
            s("rect", { class: `field-edge${under}`, x: a.x, y: a.y, width: a.w, height: a.h, "clip-path": "url(#round)" }));
        }
      }
    }
    if (!plain) for (const b of boxes) out.push(s("rect", { class: "box", x: b.box[0], y: b.box[1], width: b.box[2], height: b.box[3] }));
    if (box) out.push(s("rect", { class: "drawn", x: box.x, y: box.y, width: box.w, height: box.h }));
    if (f) positions.forEach((p, i) => {
      const w = p.width_ratio * f.r, tall = (p.height_ratio || p.width_ratio * 0.25) * f.r, cx = f.cx + p.x * f.r, cy = f.cy + p.y * f.r;
      const turn = p.angle_deg ? `rotate(${p.angle_deg} ${cx} ${cy})` : null;
      const rect = { x: cx - w / 2, y: cy - tall / 2, width: w, height: tall, transform: turn };
      if (!plain) {
        if (view.mark.text) {
          const text = s("text", { class: "marktext", x: cx, y: cy, "font-size": 1, textLength: w * 0.98, lengthAdjust: "spacingAndGlyphs", transform: turn });
          text.style.fontSize = `${tall * 0.9}px`;
          text.textContent = view.mark.text;
          out.push(text);
        }
        if (panel === "mark") out.push(s("rect", { class: "mark-place under", ...rect }), s("rect", { class: "mark-place", ...rect }));
      }
      if (panel === "mark") {
        const grip = s("rect", { class: "grip", ...rect, tabindex: 0, role: "button", "data-mark": i, "aria-label": `Mark ${i + 1} of ${positions.length}: drag it, or move it with the arrow keys` });
        grip.addEventListener("pointerdown", (e) => dragMark(e, i));
        grip.addEventListener("keydown", (e) => keyMark(e, i));
        out.push(grip);
      }
    });
    over.replaceChildren(...out);
    if (focus !== undefined) { const e = over.querySelector(`[data-mark="${focus}"]`); if (e) e.focus(); }
  }
  /* A place on the screen in pixels of the recording shown. */
  function point(e) {
    const at = new DOMPoint(e.clientX, e.clientY).matrixTransform($("over").getScreenCTM().inverse());
    return [at.x, at.y];
  }

  /* ---- the mark ---- */
  let tried = 0, trying = false, again = false;
  async function tryMark() {
    if (trying) { again = true; return; }
    trying = true;
    try {
      const found = await (await ask(`${api}/mark`, { positions: sent(), at: now })).json();
      tried = found;
      const out = $("markfound");
      if (out) out.replaceChildren(...markNumbers(found));
    } catch (e) { notice(sentence(e)); }
    trying = false;
    if (again) { again = false; tryMark(); }
  }
  const sent = () => positions.map((p) => ({ x: p.x, y: p.y, angle_deg: p.angle_deg || 0, width_ratio: p.width_ratio }));
  function markNumbers(m) {
    const loss = m.crop_loss, seen = m.visibility, [low, high] = view.mark.band;
    const out = [];
    if (loss !== null && loss !== undefined)
      out.push(h("dt", {}, "Crop loss"), h("dd", { class: `num ${view.mark.goal && loss < view.mark.goal ? "warn" : "good"}` },
        `${loss.toFixed(3)}${view.mark.goal ? (loss < view.mark.goal ? `, below the goal ${view.mark.goal}` : `, goal ${view.mark.goal} reached`) : ""}`));
    if (seen !== null && seen !== undefined)
      out.push(h("dt", {}, "Visibility here"), h("dd", { class: `num ${low && (seen < low || seen > high) ? "warn" : ""}` }, `${seen.toFixed(1)} L*${low ? ` (held between ${low} and ${high})` : ""}`));
    return out;
  }
  function moveMark(i, x, y) {
    const r = Math.hypot(x, y), k = r > 0.98 ? 0.98 / r : 1;
    positions[i] = { ...positions[i], x: Math.round(x * k * 1e4) / 1e4, y: Math.round(y * k * 1e4) / 1e4 };
    draw(); tryMark();
    for (const input of $("panel").querySelectorAll(`[data-place="${i}"]`)) input.value = positions[i][input.dataset.axis].toFixed(2);
  }
  const saveMark = () => decide({ verb: "mark", value: { positions: sent() } }, "Mark moved");
  function dragMark(e, i) {
    const { f } = place(), [x0, y0] = point(e), from = { ...positions[i] };
    e.preventDefault();
    stop();
    const over = $("over");
    over.setPointerCapture(e.pointerId);
    let went = false;
    const move = (m) => { const [x, y] = point(m); went = true; moveMark(i, from.x + (x - x0) / f.r, from.y + (y - y0) / f.r); };
    const up = () => { over.removeEventListener("pointermove", move); over.removeEventListener("pointerup", up); over.removeEventListener("pointercancel", up); if (went) saveMark(); };
    over.addEventListener("pointermove", move); over.addEventListener("pointerup", up); over.addEventListener("pointercancel", up);
    const grip = over.querySelector(`[data-mark="${i}"]`);
    if (grip) grip.focus();
  }
  let markWait = 0;
  function keyMark(e, i) {
    const by = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
    if (!by) return;
    e.preventDefault(); e.stopPropagation();
    const k = e.shiftKey ? 0.1 : 0.01;
    moveMark(i, positions[i].x + by[0] * k, positions[i].y + by[1] * k);
    clearTimeout(markWait);
    markWait = setTimeout(saveMark, 600);
  }

  /* ---- drawing a redaction ---- */
  $("over").addEventListener("pointerdown", (e) => {
    if (panel !== "redact") return;
    e.preventDefault();
    stop();
    const [x0, y0] = point(e), over = $("over"), { g } = place();
    over.setPointerCapture(e.pointerId);
    const move = (m) => {
      const [x, y] = point(m).map((v, i) => clamp(v, 0, i ? g.height : g.width));
      box = { x: Math.round(Math.min(x0, x)), y: Math.round(Math.min(y0, y)), w: Math.round(Math.abs(x - x0)), h: Math.round(Math.abs(y - y0)) };
      draw(); fillBox();
    };
    const up = () => { over.removeEventListener("pointermove", move); over.removeEventListener("pointerup", up); over.removeEventListener("pointercancel", up); };
    over.addEventListener("pointermove", move); over.addEventListener("pointerup", up); over.addEventListener("pointercancel", up);
  });
  function fillBox() {
    for (const input of $("panel").querySelectorAll("[data-box]")) if (box) input.value = box[input.dataset.box];
  }

  /* ---- panels ---- */
  function button(text, go, cls, more = {}) { return h("button", { type: "button", class: cls, onclick: go, ...more }, text); }
  function number(name, value, set, limits = {}) {
    return h("label", {}, name, h("input", { type: "number", value: String(value), step: "any", ...limits, onchange: (e) => set(+e.target.value) }));
  }
  function time(name, value, set) {
    const read = (text) => {
      const parts = text.trim().split(":").map(Number);
      return parts.length && parts.every((p) => Number.isFinite(p) && p >= 0) ? parts.reduce((a, b) => a * 60 + b, 0) : null;
    };
    return h("label", {}, name, h("input", { size: 9, value: clock(value, 2), inputmode: "decimal", onchange: (e) => {
      const t = read(e.target.value);
      if (t === null) { notice(`${name}: write 90, 1:30 or 0:01:30.`); e.target.value = clock(value, 2); } else set(t);
    } }));
  }
  const textWords = (t) => `${t.where}${t.text ? `: “${t.text}”` : ""} (${t.words.join(", ")}${t.more ? ` and ${t.more} more` : ""})`;
  /* A file that was made, served to this page only. */
  const link = (f, words) => h("a", { href: `${base}/file/${f.place.split("/").map(encodeURIComponent).join("/")}`, target: "_blank", rel: "noreferrer", title: f.place }, words || f.words);
  const reason = () => { const i = panel === "finding" && $("reason"); return i ? i.value.trim() : ""; };
  const panels = {
    finding() {
      const f = find(chosen);
      if (!f) return [h("p", {}, "Nothing was found. Look and listen all the same, then sign off.")];
      const out = [
        h("p", { class: "big" }, disc(f), label(f)),
        h("dl", {}, h("dt", {}, "When"), h("dd", { class: "num" }, `${clock(f.start)} – ${clock(f.stop)} (${(f.stop - f.start).toFixed(1)} s)`),
          h("dt", {}, "Where"), h("dd", {}, f.where), h("dt", {}, "How bad"), h("dd", { class: "num" }, f.bad),
          h("dt", {}, "What is done"), h("dd", {}, DONE[f.action] || f.action),
          h("dt", {}, "Decision"), h("dd", { class: f.needs ? "warn" : f.decision ? "good" : "" }, f.needs ? "to settle" : f.decision ? word(f) : "none needed"),
          ...(f.decision && f.decision.reason ? [h("dt", {}, "Reason"), h("dd", {}, f.decision.reason)] : [])),
      ];
      if (f.id.startsWith("added-")) {
        out.push(h("div", { class: "row" }, button("Take it back", () => decide({ verb: "undo", target: +f.id.slice(6) }, "Redaction taken back"), "no")));
        return out;
      }
      out.push(h("div", { class: "row" },
        button("Accept", () => decide({ verb: "accept", finding: f.id, reason: reason() }, "Accepted"), "yes", { id: "accept" }),
        f.rejectable ? button(f.reasons.length ? "Let it through" : "Reject: no finding", () => reject(f), "no", { id: "reject" }) : null));
      if (f.actions.length > 1) out.push(h("label", {}, "Do this instead", h("select", { id: "action", onchange: (e) =>
        decide({ verb: "change", finding: f.id, value: { action: e.target.value }, reason: reason() }, DONE[e.target.value]) },
        ...f.actions.map((a) => h("option", { value: a, selected: a === f.action }, DONE[a] || a)))));
      if (f.actions.length) out.push(h("div", { class: "row" },
        time("Starts at", f.start, (t) => setEnd(f, "start", tryEnd(f, "start", t))), time("Ends at", f.stop, (t) => setEnd(f, "stop", tryEnd(f, "stop", t)))));
      out.push(f.reasons.length
        ? h("label", { class: "wide" }, "Reason to let it through", h("select", { id: "reason" }, h("option", { value: "" }, "choose one"), ...f.reasons.map((r) => h("option", { value: r }, r))))
        : h("label", { class: "wide" }, "Reason (no names)", h("input", { id: "reason", maxlength: 200, autocomplete: "off" })));
      return out;
    },
    mark() {
      const rows = positions.map((p, i) => h("div", { class: "row" }, h("span", {}, `Mark ${i + 1}`), ...["x", "y"].map((axis) =>
        h("label", {}, axis === "x" ? "Right of centre" : "Below centre", h("input", { type: "number", step: 0.01, min: -1, max: 1, value: p[axis].toFixed(2), "data-place": i, "data-axis": axis,
          onchange: (e) => { const at = { ...positions[i], [axis]: +e.target.value }; moveMark(i, at.x, at.y); saveMark(); } })))));
      return [h("p", {}, "Drag a mark over the picture, or give its place in field radii."),
        h("dl", { id: "markfound", "aria-live": "polite" }, ...markNumbers(view.mark)), ...rows];
    },
    sound() {
      const names = { ducking_depth_lu: "Voice stands over the background by at least", duck_lead_s: "Background is down before the first word by", duck_fall_s: "Time it takes to go down",
        duck_hold_s: "Pauses in which it stays down, up to", duck_release_s: "Time it takes to come back", background_below_narration_lu: "Between narrations it stays below the voice by" };
      return [h("p", {}, "Listen to the part on screen, untreated and as mixed (M, B)."),
        h("div", { class: "pairs" }, ...view.sound.map((x) => h("label", {}, `${names[x.name] || x.name}, ${x.unit}`, h("input", { type: "number", step: "any", min: x.low, max: x.high, value: x.value, "data-sound": x.name, title: x.comment })))),
        h("div", { class: "row" }, button("Save", () => {
          const value = {};
          for (const i of $("panel").querySelectorAll("[data-sound]")) { const was = view.sound.find((x) => x.name === i.dataset.sound).value; if (+i.value !== was) value[i.dataset.sound] = +i.value; }
          if (!Object.keys(value).length) { notice("No setting was changed."); return; }
          decide({ verb: "mix", value }, "Sound settings saved");
        }, "yes", { id: "savesound" }), button("Hear as mixed", () => { stop(); listen("mixed"); }), button("Hear untreated", () => { stop(); listen("raw"); }))];
    },
    redact() {
      const a = find(chosen) && find(chosen).start <= now && now < find(chosen).stop ? find(chosen) : { start: now, stop: Math.min(view.duration, now + 5) };
      const span = { start: a.start, stop: a.stop };
      const kind = h("select", { id: "kind" }, ...[["lettering", "Lettering"], ["face", "Face"], ["speech", "Speech (no box)"]].map(([v, n]) => h("option", { value: v }, n)));
      return [h("p", {}, "Draw a box over the picture, or type it in. It is blacked out over the span."),
        h("div", { class: "row" }, h("label", {}, "What", kind), time("From", span.start, (t) => { span.start = t; }), time("To", span.stop, (t) => { span.stop = t; })),
        h("div", { class: "row" }, ...[["x", "Left"], ["y", "Top"], ["w", "Width"], ["h", "Height"]].map(([k, n]) =>
          h("label", {}, n, h("input", { type: "number", min: 0, step: 1, value: box ? String(box[k]) : "", "data-box": k, onchange: () => {
            const v = {};
            for (const i of $("panel").querySelectorAll("[data-box]")) v[i.dataset.box] = Math.round(+i.value || 0);
            box = v; draw();
          } })))),
        h("label", { class: "wide" }, "Reason (no names)", h("input", { id: "reason", maxlength: 200, autocomplete: "off" })),
        h("div", { class: "row" }, button("Add the redaction", async () => {
          const value = { kind: kind.value, start_s: span.start, stop_s: span.stop };
          if (kind.value !== "speech") { if (!box || box.w < 2 || box.h < 2) { notice("Draw a box over the picture first."); return; } value.box_px = [box.x, box.y, box.w, box.h]; }
          if (await decide({ verb: "add", value, reason: $("reason").value.trim() }, "Redaction added")) { box = null; fillEmpty(); draw(); }
        }, "yes", { id: "addbox" }))];
    },
    chapters() {
      const rows = view.chapters.map(([t, title], i) => ({ t, title, i }));
      const save = (list) => decide({ verb: "chapter", value: { chapters: list.map((r) => [r.t, r.title]) } }, "Chapters saved");
      return [h("p", {}, rows.length ? "Rename, or add one where the picture stands." : "There is no chapter yet."),
        ...rows.map((r) => h("div", { class: "row" },
          button(clock(r.t), () => { stop(); seek(r.t); }, "num", { "aria-label": `Go to ${clock(r.t)}` }),
          h("input", { value: r.title, maxlength: 80, "aria-label": `Title of the chapter at ${clock(r.t)}`, onchange: (e) => save(rows.map((x) => (x === r ? { ...x, title: e.target.value } : x))) }),
          button("Remove", () => save(rows.filter((x) => x !== r)), "", { "aria-label": `Remove the chapter at ${clock(r.t)}` }))),
        h("div", { class: "row" }, h("input", { id: "newchapter", maxlength: 80, placeholder: "Title", "aria-label": "Title of the new chapter" }),
          button(`Add at ${clock(now)}`, () => { const title = $("newchapter").value.trim(); if (!title) { notice("Give the chapter a title."); return; } save([...rows, { t: Math.round(now * 1000) / 1000, title }]); }, "yes", { id: "addchapter" }))];
    },
    /* In the order of the work: what is there to be looked at, what the program did, what it cannot know, and the name under it. */
    sign() {
      const left = view.findings.filter((f) => f.needs).length, ready = view.state === "ready";
      const here = view.checklist.length > 0, state = `${view.version} ${view.plan}`;
      const open = view.texts.filter((t) => !t.by && !t.unseen), barred = view.texts.some((t) => t.unseen);
      const made = view.files.filter((f) => ["ready", "proof"].includes(f.kind) && !f.clip);
      const tick = (key, ...words) => h("label", { class: "tick" }, h("input", { type: "checkbox", "data-keep": `${key} ${state}`, onchange: () => allowed() }), h("span", {}, ...words));
      const approve = button(ready ? "Sign off and release" : "Sign off", async () => {
        if (!$("looked").checked) { notice("Tick that you looked and listened first."); return; }
        approve.disabled = true;
        await settledLine(); await plan();
        if (await decide({ verb: "sign", plan: view.plan }, "Signed off") && ready) {
          /* it lies there, finished and checked: with the sign-off it leaves */
          try { await ask(`${api}/render`, { version: view.version }); openPanel("render"); await look(); } catch (e) { notice(sentence(e)); }
        }
        allowed();
      }, "yes", { id: "approve" });
      const unticked = () => [...$("panel").querySelectorAll("#texts input")].some((i) => !i.checked);
      function allowed() { approve.disabled = !here || left > 0 || barred || unticked(); }
      setTimeout(allowed, 0);
      approve.disabled = true;
      return [
        ready ? h("div", { class: "ready" }, h("p", { class: "big" }, "This clip is ready to be looked at"),
            h("p", {}, ...made.flatMap((f) => [link(f, f.kind === "ready" ? "Look at the clip" : "Its proof sheet"), " "])),
            h("p", { class: "sub" }, "It is finished and checked, and lies in the private folder. With your sign-off it is released as it is; nothing is made again."))
          : h("p", {}, "No clip is ready yet. Sign off what was found and decided, then render: the clip is released if its checks pass."),
        here ? h("table", { id: "identifiers" }, h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "What could identify someone"), h("th", { scope: "col" }, "Found"), h("th", { scope: "col" }, "What is done"))),
            h("tbody", {}, ...view.checklist.map((r) => h("tr", {}, h("th", { scope: "row" }, r.identifier || ""), h("td", {}, r.found || ""), h("td", {}, r.treated || "")))))
          : h("p", { id: "loading", role: "status" }, view.waiting ? "The list of what could identify someone is being made …" : "The list of what could identify someone cannot be made: the recordings are not where they were."),
        ...view.warnings.map((w) => h("p", { class: "warn" }, w)),
        ...(view.texts.length ? [h("h3", {}, "Texts that leave with the clip"),
          h("p", { class: "sub" }, "These hold words or numbers that are not of the vocabulary. Tick each one that names nobody who must not be named; your sign-off confirms it."),
          h("ul", { id: "texts" }, ...view.texts.map((t, i) => h("li", t.unseen || !t.by ? { class: "warn" } : {},
            t.unseen ? `${t.where}: it holds a character that nobody can see, ${t.unseen}; take it out, it cannot be confirmed`
              : t.by ? `${textWords(t)}, confirmed by ${t.by}` : tick(`text ${i}`, textWords(t)))))] : []),
        ...(left ? [h("p", { class: "warn" }, `${left} finding${left === 1 ? "" : "s"} left to settle.`)] : []),
        ...(view.signed ? [h("p", { class: "good" }, `Signed off by ${view.signed.by}, ${view.signed.at.replace("T", " ").slice(0, 16)} UTC. It lapses with the next change.`)] : []),
        h("label", { class: "tick" }, h("input", { type: "checkbox", id: "looked", "data-keep": `looked ${state}` }), h("span", {}, "I looked through the whole clip and listened to it, and the narration names nobody.")),
        h("div", { class: "row" }, approve, ...(open.length ? [h("span", { class: "sub" }, `${open.length} text${open.length === 1 ? "" : "s"} to tick`)] : [])),
        ...view.cautions.map((c) => h("p", { class: "sub" }, c))];
    },
    render() {
      const mine = jobs.filter((j) => j.case === view.case), last = mine[mine.length - 1];
      const busy = last && (last.state === "waiting" || last.state === "running");
      const out = [h("div", { class: "row" }, button("Render", async () => {
        try { await settledLine(); await ask(`${api}/render`, { version: view.version }); await look(); } catch (e) { if (e.status === 409) await refresh(); notice(sentence(e)); }
      }, "yes", { id: "render", disabled: busy }),
        ...(busy ? [button("Cancel", async () => { try { await ask(`${base}/api/jobs/${last.number}/cancel`, {}); await look(); } catch (e) { notice(sentence(e)); } }, "no", { id: "cancel" })] : []),
        ...(last && last.result && last.result.state === "ready" ? [button("To the sign-off", () => openPanel("sign"), "", { id: "tosign" })] : []))];
      if (!view.signed) out.push(h("p", { class: "sub" }, "Without a sign-off the clip waits, ready, in the private folder until somebody has looked; where something is left to settle, a draft is made."));
      if (last) {
        if (last.version !== view.version && busy) out.push(h("p", { class: "warn" }, "It works on the decisions that were there when it began; the decisions made since then are not in it."));
        const words = { waiting: "Waiting", running: "Rendering", done: "Done", failed: "Failed", cancelled: "Cancelled" };
        out.push(h("p", {}, `${words[last.state]}${last.doing && busy ? `: ${last.doing}` : ""}`));
        if (busy) out.push(h("progress", { max: 1, value: last.share, "aria-label": "Progress of the render" }));
        if (last.error) out.push(h("p", { class: "warn" }, sentence(last.error)));
        if (last.result) {
          out.push(h("p", { class: last.result.state === "released" || last.result.state === "ready" ? "good" : "warn" }, last.result.message));
          out.push(h("table", {}, h("thead", {}, h("tr", {}, ...["Check", "Measured", "Limit", "Result"].map((t) => h("th", { scope: "col" }, t)))),
            h("tbody", {}, ...last.result.checks.map((c) => h("tr", {}, h("th", { scope: "row" }, c.check), h("td", { class: "num" }, `${c.measured} ${c.unit}`), h("td", { class: "num" }, c.limit),
              h("td", { class: c.passed ? "good" : "warn" }, c.passed ? "✓ passed" : "✗ failed"))))));
        }
      }
      if (view.files.length) out.push(h("h3", {}, "What was made of this case"),
        h("ul", { id: "files" }, ...view.files.map((f) => h("li", {}, link(f), h("span", { class: "sub" }, ` ${f.place}`)))),
        h("p", { class: "sub" }, "Places are in the folder that the program was started with. Only what lies under releases may be passed on."));
      return out;
    },
  };
  /* What was typed and is not saved yet stays when the panel is drawn anew. */
  const FIELDS = "input[id], input[data-sound], input[data-keep], select[data-keep]", fieldKey = (i) => i.dataset.keep || i.dataset.sound || i.id;
  let shownPanel = "";
  function typed() {
    const out = new Map();
    for (const i of $("panel").querySelectorAll(FIELDS)) {
      if (i.type === "checkbox" ? i.checked !== i.defaultChecked : i.tagName === "SELECT" ? i.value !== "" : i.value !== i.defaultValue) out.set(fieldKey(i), i.type === "checkbox" ? i.checked : i.value);
    }
    return out;
  }
  function fillEmpty() { for (const i of $("panel").querySelectorAll("[data-box]")) i.value = ""; }
  function showPanel(focus) {
    const typing = $("panel").contains(document.activeElement) && document.activeElement !== $("panel") ? document.activeElement : null;
    for (const b of document.querySelectorAll("[data-panel]")) {
      const on = b.dataset.panel === panel;
      b.setAttribute("aria-selected", String(on)); b.tabIndex = on ? 0 : -1;
    }
    $("panel").setAttribute("aria-labelledby", `tab-${panel}`);
    const key = typing && (typing.id || typing.textContent), caret = typing && typing.type === "text" ? typing.selectionStart : null;
    const about = `${panel} ${chosen}`, dirty = typed();
    $("panel").replaceChildren(...panels[panel]());
    if (about === shownPanel) for (const i of $("panel").querySelectorAll(FIELDS)) {
      if (!dirty.has(fieldKey(i))) continue;
      if (i.type === "checkbox") { i.checked = dirty.get(fieldKey(i)); i.dispatchEvent(new Event("change")); } else i.value = dirty.get(fieldKey(i));
    }
    shownPanel = about;
    $("stage").classList.toggle("draw", panel === "redact");
    if (panel !== "redact") box = null;
    if (key) { const e = [...$("panel").querySelectorAll("button, input, select")].find((x) => (x.id || x.textContent) === key); (e || $("panel")).focus({ preventScroll: true }); if (e && caret !== null) e.setSelectionRange(caret, caret); }
    if (focus) $(`tab-${panel}`).focus();
  }
  function openPanel(name, focus) { panel = name; kept = ""; showPanel(focus); draw(); if (name === "mark") tryMark(); }
  const order = ["finding", "mark", "sound", "redact", "chapters", "sign", "render"];
  for (const b of document.querySelectorAll("[data-panel]")) {
    b.addEventListener("click", () => openPanel(b.dataset.panel));
    b.addEventListener("keydown", (e) => {
      const by = { ArrowRight: 1, ArrowLeft: -1 }[e.key];
      if (!by) return;
      e.preventDefault(); e.stopPropagation();
      openPanel(order[(order.indexOf(panel) + by + order.length) % order.length], true);
    });
  }

  /* ---- renders ---- */
  let jobs = [], looking = 0;
  async function look() {
    clearTimeout(looking);
    let before = jobs;
    if (away) return;
    try { jobs = (await tell(`${base}/api/jobs`)).jobs; } catch (e) { if (e.status) looking = setTimeout(look, 3000); else offline(); return; }
    const mine = (list) => JSON.stringify(list.filter((j) => j.case === view.case));
    if (mine(before) !== mine(jobs)) {
      if (panel === "render") showPanel();
      const last = jobs.filter((j) => j.case === view.case).pop(), was = before.find((j) => last && j.number === last.number);
      if (last && was && was.state !== last.state) { say(`Render ${last.state}`); if (last.state === "done") refresh().catch(() => {}); }
    }
    if (view.waiting) await refresh().then(() => { if (!playing) seek(now); }).catch(() => {});
    const busy = jobs.some((j) => j.state === "waiting" || j.state === "running");
    looking = setTimeout(look, busy ? 400 : view.waiting ? 1500 : 5000);
  }

  /* ---- keys ---- */
  /* Enter and Escape leave a field; Escape takes back what was typed since. */
  function leave(input, back) {
    if (back && input.id !== "by") input.value = input.defaultValue;
    const row = $("findings").querySelector('[aria-current="true"]');
    if (input.id === "by" && row) row.focus({ preventScroll: true }); else if (input.id === "by") input.blur(); else $("panel").focus({ preventScroll: true });
  }
  $("by").value = start.by || sessionStorage.getItem("by") || "";
  $("by").addEventListener("change", () => { sessionStorage.setItem("by", $("by").value.trim()); $("by").classList.remove("missing"); });
  $("undo").addEventListener("click", () => decide({ verb: "undo" }, "Undone"));
  $("redo").addEventListener("click", () => decide({ verb: "redo" }, "Done again"));
  $("keys").addEventListener("click", () => $("help").showModal());
  $("shut").addEventListener("click", () => $("help").close());
  $("single").checked = localStorage.getItem("single") !== "no";
  $("single").addEventListener("change", () => localStorage.setItem("single", $("single").checked ? "yes" : "no"));
  $("play").addEventListener("click", play);
  $("back").addEventListener("click", () => frame(-1));
  $("fore").addEventListener("click", () => frame(1));
  $("closer").addEventListener("click", () => zoomBy(0.5));
  $("wider").addEventListener("click", () => zoomBy(2));
  $("whole").addEventListener("click", zoomAll);
  $("scrub").max = view.duration;
  $("scrub").addEventListener("input", () => { stop(); seek(+$("scrub").value, "scrub"); });

  /* A key that is held down presses a button once, not again and again. */
  addEventListener("keydown", (e) => {
    if (e.repeat && (e.key === "Enter" || e.key === " ") && ["BUTTON", "A"].includes(e.target.tagName)) { e.preventDefault(); e.stopPropagation(); }
  }, true);
  addEventListener("keydown", (e) => {
    if ($("help").open) return;
    const tag = e.target.tagName;
    if (tag === "INPUT" && !["checkbox", "range"].includes(e.target.type) && (e.key === "Enter" || e.key === "Escape")) {
      e.preventDefault(); leave(e.target, e.key === "Escape"); return;
    }
    if (tag === "SELECT" && (e.key === "Enter" || e.key === "Escape")) { $("panel").focus({ preventScroll: true }); return; }
    if ((e.ctrlKey || e.metaKey) && e.key.toLowerCase() === "z" && !(tag === "INPUT" && e.target.type === "text")) {
      e.preventDefault(); (e.shiftKey ? $("redo") : $("undo")).click(); return;
    }
    if (e.ctrlKey || e.metaKey || e.altKey || !$("single").checked) return;
    if (tag === "SELECT" || tag === "TEXTAREA" || (tag === "INPUT" && !["checkbox", "range"].includes(e.target.type))) return;
    const onButton = tag === "BUTTON" || tag === "A" || (tag === "INPUT" && e.target.type === "checkbox");
    if (e.key === " " && onButton) return;
    if (e.target.id === "scrub" && e.key.startsWith("Arrow")) return;
    const f = find(chosen);
    if (e.repeat && !(e.key.startsWith("Arrow") || /^[npNP+=-]$/.test(e.key))) { e.preventDefault(); return; }
    const go = {
      " ": play, ArrowLeft: () => (e.shiftKey ? (stop(), seek(now - 1)) : frame(-1)), ArrowRight: () => (e.shiftKey ? (stop(), seek(now + 1)) : frame(1)),
      n: () => step(1), p: () => step(-1), s: unsettled, v: () => $("asfinished").click(), m: () => listen("mixed"), b: () => listen("raw"),
      a: () => f && !f.id.startsWith("added-") && decide({ verb: "accept", finding: f.id, reason: reason() }, "Accepted"),
      r: () => f && f.rejectable && !f.id.startsWith("added-") && reject(f),
      "[": () => f && f.actions.length && setEnd(f, "start", tryEnd(f, "start", now)), "]": () => f && f.actions.length && setEnd(f, "stop", tryEnd(f, "stop", now)),
      z: () => f && zoomTo(f), 0: zoomAll, "+": () => zoomBy(0.5), "=": () => zoomBy(0.5), "-": () => zoomBy(2),
      u: () => (e.shiftKey ? $("redo") : $("undo")).click(), "?": () => $("help").showModal(),
    }[e.key.length === 1 ? e.key.toLowerCase() : e.key];
    if (go) { e.preventDefault(); go(); return; }
    if (/^[1-7]$/.test(e.key)) { e.preventDefault(); openPanel(order[+e.key - 1], true); }
  });

  take(start.view);
  if (chosen) choose(chosen, false);
  seek(chosen ? find(chosen).start : 0);
  look();
  if (line.length) send();
  else if (!view.current) wait = setTimeout(plan, 300);
  document.body.dataset.ready = performance.now().toFixed(0);
  document.body.dataset.calm = String(calm.matches);
  window.Review = { refresh, get view() { return view; }, get now() { return now; }, get hear() { return hear; }, get heard() { return heard; }, plots, seek, ears, get playing() { return playing; } };
})();

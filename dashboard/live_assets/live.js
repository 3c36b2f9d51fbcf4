// The live page: what comes over the socket is drawn as it is, at once. No easing, no polling.
"use strict";
const $ = (id) => document.getElementById(id);
const NAMES = { forearm: "Arm", hand: "Hand", club: "Club" };
const WORDS = { in: "In the band", cup: "Too cupped", bow: "Too bowed", edge: "On the edge", none: "No reading", swing: "Swing" };
const TODO = { in: "", cup: "bow the wrist →", bow: "← cup the wrist", edge: "too close to call", none: "", swing: "" };
const TRAIL_S = 6, SPAN_DEG = 40, HOLD_S = 3;
let band = [-10, 10], session = {}, now = null, nowAt = 0, trail = [], shelf = [], guide = null, socket = null, back = 250;
let lastWordSpoken = 0, dirty = false;
window.liveStats = { late: [], drawn: 0, started: performance.now() };

// -- colours come from the tokens, again when the theme changes
let ink = {};
function colours() {
  const css = getComputedStyle(document.documentElement);
  for (const name of ["ink", "ink-2", "paper", "card", "now", "now-soft", "liquid", "bubble", "stripe-gap", "hatch", "corridor-edge", "hair"])
    ink[name] = css.getPropertyValue("--" + name).trim();
  ink.tube = parseFloat(css.getPropertyValue("--tube-line")); ink.mark = parseFloat(css.getPropertyValue("--mark-line")); ink.trace = parseFloat(css.getPropertyValue("--trace"));
  ink.ui = css.getPropertyValue("--ui");
}
function theme(name) {
  if (name) document.documentElement.dataset.theme = name; else delete document.documentElement.dataset.theme;
  $("sun").setAttribute("aria-pressed", String(!!name));
  try { localStorage.setItem("cupbow-sun", name || ""); } catch (e) { /* private window */ }
  colours(); dirty = true;
}

// -- drawing
function canvas(id) {
  const c = $(id), scale = window.devicePixelRatio || 1, w = c.clientWidth, h = c.clientHeight;
  if (c.width !== Math.round(w * scale) || c.height !== Math.round(h * scale)) { c.width = Math.round(w * scale); c.height = Math.round(h * scale); }
  const g = c.getContext("2d"); g.setTransform(scale, 0, 0, scale, 0, 0); g.clearRect(0, 0, w, h);
  return [g, w, h];
}
function tube(g, x, y, w, h, live) {
  g.beginPath(); g.roundRect(x, y, w, h, h / 2); g.fillStyle = live ? ink.liquid : ink.card; g.fill();
  if (!live) { g.save(); g.clip(); g.fillStyle = ink["ink-2"]; for (let i = x + 4; i < x + w; i += 8) for (let j = y + 4; j < y + h; j += 8) g.fillRect(i, j, 1.3, 1.3); g.restore(); }
  g.beginPath(); g.roundRect(x, y, w, h, h / 2); g.lineWidth = ink.tube; g.strokeStyle = ink.ink; g.stroke();
}
function bubble(g, cx, cy, len, h, unsure, hollow) {
  g.beginPath(); g.roundRect(cx - len / 2, cy - h / 2, len, h, Math.min(len, h) / 2);
  if (hollow) { g.lineWidth = 3; g.strokeStyle = ink.bubble; g.stroke(); return; }
  g.fillStyle = unsure ? ink["stripe-gap"] : ink.bubble; g.fill();
  if (unsure) { g.save(); g.clip(); g.lineWidth = 5; g.strokeStyle = ink.bubble; for (let i = -h; i < len + h; i += 11) { g.beginPath(); g.moveTo(cx - len / 2 + i, cy - h / 2); g.lineTo(cx - len / 2 + i + h, cy + h / 2); g.stroke(); } g.restore();
    g.beginPath(); g.roundRect(cx - len / 2, cy - h / 2, len, h, Math.min(len, h) / 2); g.lineWidth = 2.5; g.strokeStyle = ink.bubble; g.stroke();
  } else { g.beginPath(); g.strokeStyle = ink.liquid; g.lineWidth = 3; g.lineCap = "round"; g.arc(cx - len / 5, cy - h / 8, h / 5, Math.PI, 1.5 * Math.PI); g.stroke(); }
}
// One vial: value and uncertainty over a span, marks where there is a band. Cup (negative) is left.
function vial(g, x, y, w, h, reading, marks, span, middle, stale) {
  const at = (deg) => x + h / 2 + ((deg - middle + span) / (2 * span)) * (w - h), known = reading && reading[0] !== null;
  tube(g, x, y, w, h, known);
  const line = (deg) => { g.fillStyle = ink.ink; g.fillRect(at(deg) - ink.mark / 2, y - 8, ink.mark, h + 16); };
  if (marks) marks.forEach(line);
  if (!known) return at;
  const [value, u95] = reading, len = Math.max(h / 2, 2 * u95 / (2 * span) * (w - h));
  const lo = middle - span, hi = middle + span, off = value < lo ? -1 : value > hi ? 1 : 0;
  const unsure = !!marks && marks.some((m) => Math.abs(value - m) < u95);
  let cx = at(Math.min(hi, Math.max(lo, value)));
  if (marks && !unsure) for (const m of marks) { const gap = len / 2 + ink.mark / 2 + 1; if (Math.abs(cx - at(m)) < gap) cx = at(m) + Math.sign(value - m) * gap; }
  bubble(g, cx, y + h / 2, off ? len * .7 : len, off ? h * .5 : h * .72, unsure, stale);
  if (off) { g.fillStyle = ink.ink; g.font = `800 ${h * .5}px ${ink.ui}`; g.textBaseline = "middle"; g.textAlign = off < 0 ? "left" : "right"; g.fillText(off < 0 ? "‹" : "›", off < 0 ? x + 6 : x + w - 6, y + h / 2); }
  return at;
}
function draw() {
  if (!guide) {
    const [g, w, h] = canvas("level"), tubeH = Math.min(84, h * .28), y = 12, t = performance.now() / 1000;
    const stale = now && t - nowAt > .25, reading = now && t - nowAt < 1.5 ? now.wrist : null;
    const at = vial(g, 3, y, w - 6, tubeH, reading, band, SPAN_DEG, 0, stale);
    const top = y + tubeH + 8, perS = (h - top - 4) / TRAIL_S;
    g.save(); g.beginPath(); g.rect(at(band[0]), top, at(band[1]) - at(band[0]), h - top); g.clip(); g.strokeStyle = ink.hatch; g.lineWidth = 1;
    for (let i = -h; i < w; i += 12) { g.beginPath(); g.moveTo(i, h); g.lineTo(i + h, top); g.stroke(); } g.restore();
    g.strokeStyle = ink["corridor-edge"]; g.lineWidth = 2; for (const m of band) { g.beginPath(); g.moveTo(at(m), top); g.lineTo(at(m), h); g.stroke(); }
    g.fillStyle = ink.ink; g.font = `600 15px ${ink.ui}`; g.textAlign = "left"; g.textBaseline = "middle";
    for (const s of [2, 4]) g.fillText(`– ${s} s`, 2, top + s * perS);
    g.lineWidth = ink.trace; g.strokeStyle = ink.now; g.lineJoin = "round";
    let open = false, gapFrom = null; g.beginPath();
    for (let i = trail.length - 1; i >= 0; i--) {
      const p = trail[i], age = t - p[0], py = top + age * perS;
      if (age > TRAIL_S) break;
      if (p[1] === null) { open = false; continue; }
      const px = at(Math.max(-SPAN_DEG, Math.min(SPAN_DEG, p[1])));
      const gap = i + 1 < trail.length && trail[i + 1][0] - p[0] > .4;
      if (open && !gap) g.lineTo(px, py); else g.moveTo(px, py);
      open = true;
    }
    g.stroke();
    small("face", now && t - nowAt < 1.5 ? now.face : null, 60, 0, stale); small("shaft", now && t - nowAt < 1.5 ? now.shaft : null, 90, 0, stale);
  } else strip();
  window.liveStats.drawn++;
}
function small(id, reading, span, middle, stale) { const [g, w, h] = canvas(id); vial(g, 3, 10, w - 6, h - 20, reading, null, span, middle, stale); }
function strip() {
  const [g, w, h] = canvas("strip"), limit = guide.limit_dps, y = (r) => h - 6 - Math.min(r, 3 * limit) / (3 * limit) * (h - 12);
  g.setLineDash([7, 5]); g.strokeStyle = ink.ink; g.lineWidth = 2; g.beginPath(); g.moveTo(0, y(limit)); g.lineTo(w, y(limit)); g.stroke(); g.setLineDash([]);
  g.font = `400 14px ${ink.ui}`; g.textAlign = "right"; g.fillStyle = ink.ink; g.fillText("limit", w - 6, y(limit) - 8);
  if (!guide.strip.length) return;
  g.beginPath(); guide.strip.forEach(([t, r], i) => { const x = w + t / guide.hold_s * w; if (i) g.lineTo(x, y(r)); else g.moveTo(x, y(r)); });
  g.lineWidth = ink.trace; g.strokeStyle = ink.now; g.stroke(); g.lineTo(w, h); g.lineTo(w + guide.strip[0][0] / guide.hold_s * w, h); g.fillStyle = ink["now-soft"]; g.fill();
}

// -- words
function side(value, a, b) { const n = Math.round(Math.abs(value)); return n === 0 ? "0°" : `${n}° ${value < 0 ? a : b}`; }
function put(el, text) { if (el.textContent !== text) el.textContent = text; }
function show() {
  const state = now ? now.board : "none", wrist = now ? now.wrist : null, board = $("board");
  if (board.dataset.state !== state) board.dataset.state = state;
  const t = performance.now();
  if (!($("word").textContent === WORDS[state])) { put($("word"), WORDS[state]); $("word").setAttribute("aria-live", t - lastWordSpoken > 2000 ? "polite" : "off"); lastWordSpoken = t; }
  const known = wrist && wrist[0] !== null && state !== "swing";
  put($("number"), known ? `${Math.round(Math.abs(wrist[0]))}°` : "–");
  const lost = shelf.find((s) => s.state === "lost" || s.state === "silent");
  put($("todo"), state === "none" ? (lost ? `${NAMES[lost.role]} sensor lost ${Math.round(lost.silent || 0)} s ago` : wrist && wrist[2] ? wrist[2] : session.calibrating ? "working out the calibration…" : session.ready ? "" : "set up first") : TODO[state]);
  put($("side"), known ? `${Math.round(wrist[0]) === 0 ? "flat" : wrist[0] < 0 ? "cupped" : "bowed"}, ± ${Math.round(wrist[1])}°` : "");
  put($("plus-minus"), known ? `± ${Math.round(wrist[1])}°` : "");
  $("fist").style.transform = known ? `rotate(${Math.max(-60, Math.min(60, wrist[0]))}deg)` : "";
  $("level").setAttribute("aria-label", known ? `Wrist ${side(wrist[0], "cupped", "bowed")}, plus or minus ${Math.round(wrist[1])}: ${WORDS[state]}` : "No reading");
  $("hold").hidden = !(state === "in" && now.held > .2); put($("held-text"), now ? `${Math.min(HOLD_S, now.held).toFixed(1)} of ${HOLD_S} s` : "");
  $("held").style.width = `${Math.min(100, (now ? now.held : 0) / HOLD_S * 100)}%`;
  const text = (r, a, b) => (!r ? "" : r[0] === null ? r[2] || "" : `${side(r[0], a, b)} ± ${Math.round(r[1])}°`);
  put($("face-text"), text(now && now.face, "closed", "open")); put($("shaft-text"), text(now && now.shaft, "below level", "above level"));
}
function showShelf(m) {
  shelf = m.sensors; const s = m.elapsed; put($("clock"), `${m.recording ? "● Recording" : "not recording"} ${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`);
  $("lamps").replaceChildren(...shelf.map((x) => { const el = document.createElement("span"), i = document.createElement("i"); el.className = "lamp"; el.dataset.state = x.state; i.textContent = ["lost", "silent", "refused"].includes(x.state) ? "×" : ""; el.append(i, NAMES[x.role].toLowerCase()); return el; }));
  $("shelf").replaceChildren(...shelf.map((x) => {
    const li = document.createElement("li"), away = !["on", "ended"].includes(x.state), mark = document.createElement("span"), b = document.createElement("b"), battery = document.createElement("span"), what = document.createElement("span");
    if (away) li.className = "away"; mark.className = "mark"; mark.textContent = away ? "×" : x.state === "ended" ? "–" : "✓"; b.textContent = NAMES[x.role]; battery.textContent = x.battery === null ? "" : `${x.battery} %`; what.className = "what";
    what.textContent = x.state === "on" ? `${x.rate ?? "–"} per s, ${x.lost === null ? "losses cannot be seen" : x.lost ? x.lost + " lost" : "none lost"}` : x.state === "looking" ? "looking for it" : x.state === "ended" ? "ended" : `silent for ${Math.round(x.silent ?? 0)} s, calling it back`;
    li.append(mark, b, battery, what); return li;
  }));
  const lost = shelf.filter((x) => x.state === "lost" || x.state === "silent").map((x) => x.role);
  put($("shelf-note"), !lost.length ? "" : lost.includes("club") && lost.length === 1 ? "Wrist readings go on. Face and shaft are blank until the club is back." : "What depends on it is blank until it is back; the rest goes on.");
}
function showSwing(m) {
  put($("swing-when"), `${m.index}${m.kind === "full" ? "" : ", " + m.kind}${m.final ? ", final" : ""}`);
  const sides = { wrist_flexion: ["cupped", "bowed"], face_to_forearm: ["closed", "open"], shaft_past_level: ["short of level", "past level"] }, words = { inside: "in", below: "below", above: "above", unsure: "unsure" };
  $("swing").tBodies[0].replaceChildren(...m.rows.map((r) => {
    const tr = document.createElement("tr"), cells = [r.label, "", ""].map((t) => { const td = document.createElement("td"); td.textContent = t; tr.append(td); return td; });
    if (r.value === null) { cells[1].textContent = "—"; cells[1].title = r.reason || ""; cells[2].textContent = ""; }
    else { cells[1].textContent = side(r.value, ...sides[r.angle]) + " "; const s = document.createElement("small"); s.textContent = `± ${Math.round(r.u95)}`; cells[1].append(s); cells[2].textContent = r.verdict ? (r.angle === "wrist_flexion" && { below: "cup side", above: "bow side" }[r.verdict]) || words[r.verdict] : ""; }
    return tr;
  }));
}
function showNotice(m) {
  const li = document.createElement("li"); li.textContent = m.text; $("notices").prepend(li); while ($("notices").children.length > 6) $("notices").lastChild.remove();
  if (m.kind === "lost" || m.kind === "silent") shake([300, 100, 100, 100, 300]);
}
function showGuide(m) {
  guide = m.finished ? null : m; $("guide").hidden = !guide; $("instrument").hidden = !!guide; if (!guide) return;
  put($("guide-count"), `${m.index + 1} of ${m.steps.length}`); put($("guide-title"), m.title); put($("guide-text"), m.text);
  if ($("rule").children.length !== m.steps.length) $("rule").replaceChildren(...m.steps.map(() => document.createElement("li")));
  m.steps.forEach((s, i) => { const li = $("rule").children[i]; put(li, s.title); li.className = i === m.index ? "here" : s.done ? "done" : ""; });
  put($("guide-state"), m.motion ? "Slowly" : m.moved && !m.held_s ? "You moved" : m.waiting ? "Get into it" : "Hold still");
  put($("guide-progress"), m.motion ? `${Math.floor(m.turns / 2)} of ${m.turns_wanted / 2}` : m.moved && !m.held_s ? `${m.moved.after_s} s in, ${m.moved.role} sensor` : `${m.held_s.toFixed(1)} of ${m.hold_s} s`);
  put($("guide-tip"), m.moved && !m.held_s ? m.moved.tip : "");
  $("guide-checks").replaceChildren(...m.checks.map((c) => { const li = document.createElement("li"); li.textContent = `${c.ok ? "✓" : "×"} ${c.what}: ${c.text}`; return li; }));
}

// -- sound and buzz: cup low and long, bow high and twice; silent in the band and when unsure
let audio = null, nextPulse = 0, toneOn = false, buzzOn = false, nextBuzz = 0, was = "none";
function pulse() {
  const state = now && performance.now() / 1000 - nowAt < .5 ? now.board : "none";
  if (state === "in" && was !== "in") { if (toneOn) beep(880, .03); shake([30]); }
  was = state;
  if (!["cup", "bow"].includes(state) || !now.wrist || now.wrist[0] === null) return;
  const t = performance.now() / 1000, error = Math.max(0, state === "cup" ? band[0] - now.wrist[0] : now.wrist[0] - band[1]), every = Math.max(.18, .7 - error * .02);
  if (toneOn && t > nextPulse) { nextPulse = t + every; beep(state === "cup" ? Math.max(110, 260 - error * 5) : Math.min(1400, 620 + error * 16), .09); }
  if (buzzOn && t > nextBuzz) { nextBuzz = t + 1.2; shake(state === "cup" ? [220] : [70, 70, 70]); }
}
function beep(hz, s) { if (!audio) return; const o = audio.createOscillator(), g = audio.createGain(), t = audio.currentTime; o.frequency.value = hz; g.gain.setValueAtTime(0, t); g.gain.linearRampToValueAtTime(.25, t + .008); g.gain.setValueAtTime(.25, t + s); g.gain.linearRampToValueAtTime(0, t + s + .02); o.connect(g).connect(audio.destination); o.start(t); o.stop(t + s + .03); }
function shake(pattern) { if (!buzzOn) return; if (navigator.vibrate) navigator.vibrate(pattern); const role = (session.buzz || []).find((r) => r === "hand") || (session.buzz || [])[0]; if (role) tell({ do: "buzz", role, pattern }); }
setInterval(pulse, 60);

// -- the socket
function tell(m) { if (socket && socket.readyState === 1) socket.send(JSON.stringify(m)); }
let queued = false;
function onNow(m) {
  now = m; nowAt = performance.now() / 1000;
  trail.push([nowAt, m.board === "swing" || m.wrist[0] === null ? null : m.wrist[0]]); while (trail.length && nowAt - trail[0][0] > TRAIL_S + 1) trail.shift();
  // Drawn here and not in a frame of its own: the browser shows it with its next frame either way.
  show(); draw(); const late = Date.now() - m.ms; if (window.liveStats.late.length < 20000) window.liveStats.late.push(late);
}
function connect() {
  socket = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/live/stream`);
  socket.onopen = () => { back = 250; $("link").hidden = true; };
  socket.onmessage = (e) => {
    const m = JSON.parse(e.data);
    if (m.type === "now") onNow(m);
    else if (m.type === "shelf") { showShelf(m); if (!guide) { show(); draw(); } }
    else if (m.type === "guide") { showGuide(m); draw(); }
    else if (m.type === "swing") showSwing(m);
    else if (m.type === "notice") showNotice(m);
    else if (m.type === "session") {
      session = m; band = m.band; put($("drill"), m.bandName); $("pause").setAttribute("aria-pressed", String(m.paused)); put($("pause"), m.paused ? "Go on" : "Pause"); $("next").hidden = !m.canSwitch;
      if (!m.guide && guide) showGuide({ finished: true }); if (m.paused) now = null; show(); draw();
    }
  };
  socket.onclose = () => { now = null; show(); $("link").hidden = false; setTimeout(connect, back); back = Math.min(4000, back * 2); };
}
async function awake() { try { await navigator.wakeLock.request("screen"); } catch (e) { /* only over https, and only where the phone allows it */ } }

document.querySelectorAll("[data-do]").forEach((b) => b.addEventListener("click", () => tell({ do: b.dataset.do })));
$("tone").addEventListener("click", () => { toneOn = !toneOn; if (toneOn && !audio) audio = new AudioContext(); if (audio) audio.resume(); $("tone").setAttribute("aria-pressed", String(toneOn)); put($("tone"), toneOn ? "Tone on" : "Tone off"); });
$("buzz").addEventListener("click", () => { buzzOn = !buzzOn; $("buzz").setAttribute("aria-pressed", String(buzzOn)); put($("buzz"), buzzOn ? "Buzz on" : "Buzz off"); });
$("sun").addEventListener("click", () => theme(document.documentElement.dataset.theme ? "" : "sun"));
$("cautions-ok").addEventListener("click", () => { $("cautions").close(); awake(); });
document.addEventListener("visibilitychange", () => { if (!document.hidden) awake(); });
window.addEventListener("resize", draw);
setInterval(() => { if (now && performance.now() / 1000 - nowAt > .25) { if (performance.now() / 1000 - nowAt > 1.5) { now = null; show(); } draw(); } }, 200);
let sun = ""; try { sun = localStorage.getItem("cupbow-sun") || ""; } catch (e) { /* private window */ }
theme(sun); $("cautions").showModal(); connect(); show(); draw();

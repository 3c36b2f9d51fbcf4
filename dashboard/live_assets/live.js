// The live page: what comes over the socket is drawn as it is, at once. No easing, no polling.

import { offerDrills, showPractice } from "./drill.js";
import { showGuide } from "./guide.js";
import { colours, drawStillness, TRAIL_S } from "./level.js";
import { showRoom, wireRoom } from "./room.js";
import { $, drawLevels, put, showBoard, showNotice, showShelf, showSwing, words as w } from "./screen.js";
import { Buzz, canShake, Tones } from "./sound.js";

const page = {
  session: {}, // how it stands
  room: null, // who is there
  now: null, // the newest reading and its decision
  nowAt: 0, // when it came, s
  trail: [], // [seconds, degrees or null], the newest last
  shelf: [],
  guide: null,
  practice: null,
  hurt: null, // what was said when it hurt
};
const tones = new Tones();
const buzz = new Buzz();
const BUZZ = { cup: [220], bow: [70, 70, 70] };
const stats = { late: [], drawn: 0, started: performance.now(), decided: null };
window.liveStats = Object.assign(stats, { page, tones, buzz, tell }); // for the benchmark and tests

let socket = null;
let wait = 250; // ms until the next try to connect

function tell(message) {
  if (socket && socket.readyState === WebSocket.OPEN) socket.send(JSON.stringify(message));
}

// -- what comes
const HEAR = {
  now: onNow,
  shelf(message) {
    showShelf(page, message);
    if (!page.guide) redraw();
  },
  guide(message) {
    showGuide(page, message);
    redraw();
  },
  swing: showSwing,
  notice: showNotice,
  session: onSession,
  room(message) {
    showRoom(page, message, tell);
    if (!page.practice) {
      $("drill-panel").hidden = !message.drills.length || !message.open;
      offerDrills(page, tell);
    }
  },
  practice(message) {
    if (message.stage === "ask" && !(page.practice && page.practice.stage === "ask")) {
      page.now = null; // the estimate comes first
      page.trail = [];
    }
    showPractice(page, message, tell);
    redraw();
  },
  signal(message) {
    if (message.tick) tones.tick(message.ms);
    if (message.buzz.length && ![220, 70].includes(message.buzz[0])) buzz.give(message.buzz);
  },
  stats(message) {
    stats.decided = message.decided_ms;
  },
};

function onNow(message) {
  page.now = message;
  page.nowAt = performance.now() / 1000;
  const known = message.reading && message.reading[0] !== null;
  page.trail.push([page.nowAt, known ? message.reading[0] : null]);
  while (page.trail.length && page.nowAt - page.trail[0][0] > TRAIL_S + 1) page.trail.shift();
  tones.follow(message.tone, message.ms);
  const shakes = page.session.channels && page.session.channels.phone;
  buzz.follow((shakes && BUZZ[message.out]) || null, page.nowAt);
  // Drawn here and not in a frame of its own: the browser shows it with its next frame either way.
  redraw();
  const late = Date.now() - message.ms;
  if (stats.late.length < 20000) stats.late.push(late);
}

function onSession(message) {
  page.session = message;
  put($("drill-name"), message.bandName);
  $("pause").setAttribute("aria-pressed", String(message.paused));
  put($("pause"), message.paused ? w.go_on : w.pause);
  if (!message.guide && page.guide) showGuide(page, { finished: true });
  if (message.paused || !message.open) {
    page.now = null;
    tones.follow(null);
  }
  document.body.dataset.open = String(message.open);
  $("instrument").hidden = !message.open || !!page.guide;
  const wrist = message.angle === "wrist_flexion";
  put($("side-low"), wrist ? w.cup_side : w.low_side);
  put($("side-high"), wrist ? w.bow_side : w.high_side);
  showChannels();
  if (message.hurt !== null && page.hurt === null) stopped();
  if (message.hurt === null && $("hurt").open) $("hurt").close();
  page.hurt = message.hurt;
  $("go-on").hidden = message.hurt === null || !!message.alone;
  redraw();
}

function redraw() {
  if (page.guide) drawStillness($("strip"), page.guide, w.limit);
  else if (page.session.open) {
    showBoard(page);
    drawLevels(page);
  }
  stats.drawn += 1;
}

// -- alerts: screen and sensor are everybody's, tone and phone are this screen's own
function showChannels() {
  const { channels = {} } = page.session;
  const on = { board: channels.board, tone: channels.tone && tones.on, sensor: channels.sensor, phone: channels.phone && buzz.on };
  const missing = [];
  for (const [name, state] of Object.entries(on)) {
    const button = $(`channel-${name}`);
    button.setAttribute("aria-pressed", String(!!state));
    button.disabled = channels[name] === null || (name === "phone" && !canShake);
    if (channels[name] === null) missing.push(button.textContent);
  }
  const notes = missing.length ? [`${w.not_in_drill} ${missing.join(", ")}`] : [];
  if (!canShake) notes.push(w.no_vibration);
  put($("alerts-note"), notes.join(" "));
  $("tone").setAttribute("aria-pressed", String(tones.on));
  put($("tone"), tones.on ? w.tone_on : w.tone_off);
  $("buzz").setAttribute("aria-pressed", String(buzz.on));
  put($("buzz"), buzz.on ? w.buzz_on : w.buzz_off);
  $("buzz").disabled = !canShake;
}
function turnTone() {
  tones.turn(!tones.on);
  showChannels();
}
function turnBuzz() {
  buzz.on = !buzz.on;
  showChannels();
}

// -- it hurts
function stopped() {
  tones.hush();
  $("hurt-mistake").hidden = !!page.session.alone;
  $("hurt").showModal();
}

// -- the socket
function connect() {
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  socket = new WebSocket(`${scheme}://${location.host}/live/stream`);
  socket.onopen = () => {
    wait = 250;
    $("link").hidden = true;
    if (read) tell({ do: "cautions_read" });
  };
  socket.onmessage = (event) => {
    const message = JSON.parse(event.data);
    const hear = HEAR[message.type];
    if (hear) hear(message);
  };
  socket.onclose = () => {
    page.now = null;
    tones.follow(null);
    redraw();
    $("link").hidden = false;
    setTimeout(connect, wait);
    wait = Math.min(4000, wait * 2);
  };
}
async function awake() {
  try {
    await navigator.wakeLock.request("screen");
  } catch (error) {
    /* only over https, and only where the phone allows it */
  }
}

// -- the theme
function theme(name) {
  if (name) document.documentElement.dataset.theme = name;
  else delete document.documentElement.dataset.theme;
  $("sun").setAttribute("aria-pressed", String(!!name));
  try {
    localStorage.setItem("cupbow-sun", name || "");
  } catch (error) {
    /* a private window */
  }
  colours();
  redraw();
}

let read = false; // the cautions
document.querySelectorAll("[data-do]").forEach((button) => {
  button.addEventListener("click", () => tell({ do: button.dataset.do }));
});
$("tone").addEventListener("click", turnTone);
$("channel-tone").addEventListener("click", turnTone);
$("buzz").addEventListener("click", turnBuzz);
$("channel-phone").addEventListener("click", turnBuzz);
for (const name of ["board", "sensor"]) {
  const button = $(`channel-${name}`);
  button.addEventListener("click", () => tell({ do: "channel", name, on: button.getAttribute("aria-pressed") !== "true" }));
}
$("skip-drill").addEventListener("click", () => tell({ do: "practice", what: "skip" }));
$("sun").addEventListener("click", () => theme(document.documentElement.dataset.theme ? "" : "sun"));
$("cautions-ok").addEventListener("click", () => {
  $("cautions").close();
  read = true;
  tell({ do: "cautions_read" });
  if (page.practice && page.session.channels && page.session.channels.tone) turnTone();
  awake();
});
$("hurts").addEventListener("click", () => tell({ do: "hurts" }));
$("hurt-keep").addEventListener("click", () => {
  const text = $("hurt-text").value.trim();
  if (text) tell({ do: "hurts", text });
  $("hurt-text").value = "";
  $("hurt").close();
});
$("hurt-mistake").addEventListener("click", () => tell({ do: "go_on" }));
$("cautions").addEventListener("cancel", (event) => event.preventDefault());
document.addEventListener("visibilitychange", () => {
  if (!document.hidden) awake();
});
window.addEventListener("resize", redraw);
setInterval(() => {
  if (!page.now) return;
  const age = performance.now() / 1000 - page.nowAt;
  if (age > 0.5) tones.follow(null);
  if (age > 1.5) page.now = null;
  if (age > 0.25) redraw();
}, 200);

wireRoom(tell);
let sun = "";
try {
  sun = localStorage.getItem("cupbow-sun") || "";
} catch (error) {
  /* a private window */
}
theme(sun);
showChannels();
$("cautions").showModal();
connect();

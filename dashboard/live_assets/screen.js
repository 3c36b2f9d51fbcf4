// What the page shows in words: the board, the numbers beside the levels, the shelf, the last swing.

import { drawLevel, drawSmall, SPAN_DEG } from "./level.js";

export const $ = (id) => document.getElementById(id);
export const words = JSON.parse($("words").textContent);

export function put(element, text) {
  if (element.textContent !== text) element.textContent = text;
}
export function fill(text, fields) {
  return text.replace(/\{(\w+)\}/g, (whole, name) => (name in fields ? fields[name] : whole));
}
export function made(tag, text = "", className = "") {
  const element = document.createElement(tag);
  if (text) element.textContent = text;
  if (className) element.className = className;
  return element;
}

const w = words;
const ROLES = { forearm: w.arm, hand: w.hand, club: w.club };
const BOARD = {
  wrist_flexion: { in: w.in_band, cup: w.too_cupped, bow: w.too_bowed },
  other: { in: w.in_band, cup: w.too_low, bow: w.too_high },
  any: {
    edge: w.on_edge,
    none: w.no_reading,
    swing: w.swinging,
    covered: w.swing_first,
    off: w.screen_off,
    stopped: w.stopped,
    free: w.bend_slowly,
  },
};
const SIDES = {
  wrist_flexion: [w.cupped, w.bowed],
  wrist_deviation: [w.hinged, w.unhinged],
  face_to_forearm: [w.closed, w.open],
  shaft_elevation: [w.below_level, w.above_level],
  shaft_past_level: [w.short_of_level, w.past_level],
  forearm_roll: [w.supinated, w.pronated],
  face_since_address: [w.closed, w.open],
  face_roll: [w.closing, w.opening],
  shaft_off_plane: [w.shallow, w.steep],
};
const SPANS = { wrist_flexion: SPAN_DEG, wrist_deviation: SPAN_DEG, face_to_forearm: 60, shaft_elevation: 90 };
const GONE = ["lost", "silent", "refused"];

// Sides, never signs: "21° cupped".
export function sided(value, angle) {
  const n = Math.round(Math.abs(value));
  const [less, more] = SIDES[angle] || ["−", "+"];
  return n === 0 ? "0°" : `${n}° ${value < 0 ? less : more}`;
}
export function sideOf(value, angle) {
  if (Math.round(value) === 0) return angle === "wrist_flexion" ? w.flat : "";
  return (SIDES[angle] || ["−", "+"])[value < 0 ? 0 : 1];
}
export function withDoubt(value, u95, angle) {
  return `${sided(value, angle)} ± ${Math.round(u95)}°`;
}
export function boardWord(state, angle, practice) {
  if (state === "covered" && practice && practice.drill) {
    return practice.drill.where || (practice.drill.kind === "full" ? w.swing_first : w.do_first);
  }
  return BOARD.any[state] || (BOARD[angle] || BOARD.other)[state] || w.no_reading;
}

function todo(state, angle, practice) {
  if (state === "covered") return practice && practice.stage === "try" && practice.ask ? w.say_where : "";
  if (state === "stopped") return w.stopped_do;
  if (state === "free") return w.bend_do;
  if (state === "edge") return w.too_close;
  if (state === "cup") return angle === "wrist_flexion" ? w.bow_it : w.more_it;
  if (state === "bow") return angle === "wrist_flexion" ? w.cup_it : w.less_it;
  return "";
}

// A change of the wrist runs towards a side.
function sideNow(value, session) {
  if (!session.change) return sideOf(value, session.angle || "wrist_flexion");
  return Math.round(value) === 0 ? "" : value < 0 ? w.towards_cup : w.towards_bow;
}

// -- the board and the levels
let lastSpoken = 0;
export function showBoard(page) {
  const { now, session, shelf } = page;
  const angle = session.angle || "wrist_flexion";
  const state = !now ? "none" : now.board;
  const reading = now && now.reading;
  const board = $("board");
  if (board.dataset.state !== state) board.dataset.state = state;
  const word = boardWord(state, angle, page.practice);
  if ($("word").textContent !== word) {
    const t = performance.now();
    $("word").setAttribute("aria-live", t - lastSpoken > 2000 ? "polite" : "off");
    lastSpoken = t;
    put($("word"), word);
  }
  const known = reading && reading[0] !== null && state !== "none";
  put($("number"), known ? `${Math.round(Math.abs(reading[0]))}°` : "–");
  put($("side"), known ? `${sideNow(reading[0], session)}, ± ${Math.round(reading[1])}°` : "");
  put($("plus-minus"), known ? `± ${Math.round(reading[1])}°` : "");
  $("fist").style.transform =
    known && angle === "wrist_flexion" ? `rotate(${Math.max(-60, Math.min(60, reading[0]))}deg)` : "";
  const part = page.practice && page.practice.stage === "try" && state !== "covered" ? page.practice.drill.where : "";
  put($("todo"), state === "none" ? whyNot(page, reading) : [part, todo(state, angle, page.practice)].filter(Boolean).join(": "));
  const number = known ? `${Math.round(Math.abs(reading[0]))}° ${sideNow(reading[0], session)} ± ${Math.round(reading[1])}°` : "";
  const label = known ? `${word}: ${number}` : word;
  $("level").setAttribute("aria-label", label);
  const hold = (now && now.hold) || null;
  $("hold").hidden = !hold || !(state === "in" || hold.held > 0.2);
  if (hold) {
    put($("held-text"), fill(w.held_of, { held: Math.min(hold.of, hold.held).toLocaleString(document.documentElement.lang, { minimumFractionDigits: 1, maximumFractionDigits: 1 }), of: hold.of }));
    $("held").style.width = `${Math.min(100, (hold.held / hold.of) * 100)}%`;
  }
  for (const [id, name] of [["face", "face_to_forearm"], ["shaft", "shaft_elevation"]]) {
    const r = now && now[id];
    put($(`${id}-text`), !r ? "" : r[0] === null ? r[2] || "" : withDoubt(r[0], r[1], name));
  }
}

function whyNot({ session, shelf }, reading) {
  const lost = shelf.find((s) => GONE.includes(s.state));
  if (lost) return fill(w.sensor_lost, { role: ROLES[lost.role], n: Math.round(lost.silent || 0) });
  if (session.open === false) return w.not_open;
  if (session.paused) return w.paused;
  if (reading && reading[2]) return reading[2];
  if (session.calibrating) return w.calibrating;
  return session.ready ? "" : w.set_up_first;
}

export function drawLevels(page) {
  const { now, nowAt, session, trail } = page;
  const seconds = performance.now() / 1000;
  const stale = !!now && seconds - nowAt > 0.25;
  const shown = now && seconds - nowAt < 1.5 ? now : null;
  const reading = shown && shown.reading;
  const lost = page.shelf.find((s) => GONE.includes(s.state) && s.role !== "club");
  const gone = lost ? [seconds - (lost.silent || 0), fill(w.looking_for, { role: ROLES[lost.role] })] : null;
  drawLevel($("level"), { reading, band: session.band, stale, trail, seconds, ago: w.seconds_ago, gone });
  drawSmall($("face"), { reading: shown && shown.face, span: SPANS.face_to_forearm, stale });
  drawSmall($("shaft"), { reading: shown && shown.shaft, span: SPANS.shaft_elevation, stale });
}

// -- the shelf
export function showShelf(page, message) {
  page.shelf = message.sensors;
  const s = message.elapsed;
  const clock = `${Math.floor(s / 60)}:${String(s % 60).padStart(2, "0")}`;
  put($("clock"), `${message.recording ? "● " + w.recording : w.not_recording} ${clock}`);
  $("lamps").replaceChildren(...page.shelf.map(lamp));
  $("shelf").replaceChildren(...page.shelf.map(onShelf));
  const lost = page.shelf.filter((x) => GONE.includes(x.state)).map((x) => x.role);
  put($("shelf-note"), !lost.length ? "" : lost.join() === "club" ? w.club_away : w.some_away);
}

function lamp(sensor) {
  const element = made("span", "", "lamp");
  element.dataset.state = sensor.state;
  element.append(made("i", GONE.includes(sensor.state) ? "×" : ""), ROLES[sensor.role]);
  return element;
}

function onShelf(sensor) {
  const away = !["on", "ended"].includes(sensor.state);
  const line = made("li", "", away ? "away" : "");
  const mark = away ? "×" : sensor.state === "ended" ? "–" : "✓";
  const battery = sensor.battery === null ? "" : `${sensor.battery} %`;
  line.append(made("span", mark, "mark"), made("b", ROLES[sensor.role]), made("span", battery), made("span", said(sensor), "what"));
  return line;
}

function said(sensor) {
  if (sensor.state === "on") {
    const losses = sensor.lost === null ? w.losses_unseen : sensor.lost ? fill(w.lost_n, { n: sensor.lost }) : w.none_lost;
    return `${fill(w.per_second, { n: sensor.rate ?? "–" })}, ${losses}`;
  }
  if (sensor.state === "looking") return w.looking;
  if (sensor.state === "ended") return w.ended;
  return fill(w.silent_for, { n: Math.round(sensor.silent ?? 0) });
}

// -- the last swing
const VERDICTS = { inside: w.verdict_in, below: w.verdict_below, above: w.verdict_above, unsure: w.verdict_unsure };
const WRIST_VERDICTS = { below: w.verdict_cup, above: w.verdict_bow };

export function verdictWord(verdict, angle) {
  return (angle === "wrist_flexion" && WRIST_VERDICTS[verdict]) || VERDICTS[verdict] || "";
}

export function showSwing(message) {
  const kind = message.kind === "full" ? "" : message.kind === "slow" ? w.kind_slow : w.kind_partial;
  put($("swing-when"), [fill(w.swing_n, { n: message.index }), kind, message.final ? w.final : ""].filter(Boolean).join(", "));
  const rows = message.hidden ? [hiddenRow()] : message.rows.map(swingRow);
  $("swing").tBodies[0].replaceChildren(...rows);
  if (message.hidden) return;
  for (const [i, row] of message.rows.entries()) {
    const level = rows[i].querySelector("canvas");
    if (!level) continue;
    const reading = [row.value, row.u95];
    drawSmall(level, { reading, span: SPANS[row.angle] || 60, marks: row.band, verdict: row.verdict, pad: 6 });
  }
}

function hiddenRow() {
  const tr = made("tr");
  tr.append(made("td", w.swing_hidden));
  return tr;
}

function swingRow(row) {
  const tr = made("tr");
  tr.append(made("td", row.label));
  const value = made("td");
  if (row.value === null) {
    value.textContent = "—";
    value.title = row.reason || "";
    tr.append(value, made("td"), made("td"));
    return tr;
  }
  value.append(sided(row.value, row.angle) + " ", made("small", `± ${Math.round(row.u95)}`));
  const level = made("td", "", "small-level");
  if (row.band) {
    const drawn = made("canvas");
    drawn.setAttribute("role", "img");
    drawn.setAttribute("aria-label", `${withDoubt(row.value, row.u95, row.angle)}: ${verdictWord(row.verdict, row.angle)}`);
    level.append(drawn);
  }
  tr.append(value, level, made("td", row.verdict ? verdictWord(row.verdict, row.angle) : ""));
  return tr;
}

export function showNotice(message) {
  const list = $("notices");
  const line = made("li", message.text);
  if (message.link) {
    const link = made("a", w.see_lesson);
    link.href = message.link;
    line.append(" ", link);
  }
  list.prepend(line);
  while (list.children.length > 6) list.lastChild.remove();
}

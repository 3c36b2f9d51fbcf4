// Drawing: the level (a bubble as long as the uncertainty), its trail, small levels, the stillness strip.
// What is drawn is what arrived: no easing. Colours come from the tokens, again when the theme changes.

const TOKENS = [
  "ink", "ink-2", "paper", "card", "now", "now-soft", "liquid", "bubble", "stripe-gap", "hatch", "corridor-edge", "hair",
];
export const TRAIL_S = 6;
export const SPAN_DEG = 40;

let ink = {};
export function colours() {
  const css = getComputedStyle(document.documentElement);
  ink = Object.fromEntries(TOKENS.map((name) => [name, css.getPropertyValue("--" + name).trim()]));
  ink.tube = parseFloat(css.getPropertyValue("--tube-line"));
  ink.mark = parseFloat(css.getPropertyValue("--mark-line"));
  ink.trace = parseFloat(css.getPropertyValue("--trace"));
  ink.ui = css.getPropertyValue("--ui");
}

// A canvas as large as its box, in CSS pixels: [context, width, height].
function canvas(element) {
  const scale = window.devicePixelRatio || 1;
  const width = element.clientWidth;
  const height = element.clientHeight;
  if (element.width !== Math.round(width * scale) || element.height !== Math.round(height * scale)) {
    element.width = Math.round(width * scale);
    element.height = Math.round(height * scale);
  }
  const g = element.getContext("2d");
  g.setTransform(scale, 0, 0, scale, 0, 0);
  g.clearRect(0, 0, width, height);
  return [g, width, height];
}

function tube(g, x, y, w, h, known) {
  g.beginPath();
  g.roundRect(x, y, w, h, h / 2);
  g.fillStyle = known ? ink.liquid : ink.card;
  g.fill();
  if (!known) {
    g.save();
    g.clip();
    g.fillStyle = ink["ink-2"];
    for (let i = x + 4; i < x + w; i += 8) for (let j = y + 4; j < y + h; j += 8) g.fillRect(i, j, 1.3, 1.3);
    g.restore();
  }
  g.beginPath();
  g.roundRect(x, y, w, h, h / 2);
  g.lineWidth = h < 30 ? Math.min(2, ink.tube) : ink.tube;
  g.strokeStyle = ink.ink;
  g.stroke();
}

function bubble(g, cx, cy, length, h, { unsure, hollow }) {
  const outline = () => {
    g.beginPath();
    g.roundRect(cx - length / 2, cy - h / 2, length, h, Math.min(length, h) / 2);
  };
  outline();
  if (hollow) {
    g.lineWidth = 3;
    g.strokeStyle = ink.bubble;
    g.stroke();
    return;
  }
  g.fillStyle = unsure ? ink["stripe-gap"] : ink.bubble;
  g.fill();
  if (unsure) {
    const step = h < 30 ? 6 : 11;
    g.save();
    g.clip();
    g.lineWidth = step / 2.2;
    g.strokeStyle = ink.bubble;
    for (let i = -h; i < length + h; i += step) {
      g.beginPath();
      g.moveTo(cx - length / 2 + i, cy - h / 2);
      g.lineTo(cx - length / 2 + i + h, cy + h / 2);
      g.stroke();
    }
    g.restore();
    outline();
    g.lineWidth = h < 30 ? 1.5 : 2.5;
    g.strokeStyle = ink.bubble;
    g.stroke();
  } else if (h >= 30) {
    g.beginPath();
    g.strokeStyle = ink.liquid;
    g.lineWidth = 3;
    g.lineCap = "round";
    g.arc(cx - length / 5, cy - h / 8, h / 5, Math.PI, 1.5 * Math.PI);
    g.stroke();
  }
}

// One vial: [value, u95] over middle ± span, marks where there is a band. Cup (negative) is left.
// Returns where a value lies, in pixels from the left.
function vial(g, { x, y, w, h, reading, marks, span, middle = 0, stale = false, verdict = null }) {
  const at = (deg) => x + h / 2 + ((deg - middle + span) / (2 * span)) * (w - h);
  const known = reading && reading[0] !== null;
  tube(g, x, y, w, h, known);
  const markWidth = h < 30 ? Math.min(3, ink.mark) : ink.mark;
  const over = h < 30 ? 4 : 8;
  for (const deg of marks || []) {
    g.fillStyle = ink.ink;
    g.fillRect(at(deg) - markWidth / 2, y - over, markWidth, h + 2 * over);
  }
  if (!known) return at;
  const [value, u95] = reading;
  const length = Math.max(h / 2, (u95 / span) * (w - h));
  const low = middle - span;
  const high = middle + span;
  const off = value < low ? -1 : value > high ? 1 : 0;
  const unsure = verdict ? verdict === "unsure" : !!marks && marks.some((m) => Math.abs(value - m) < u95);
  let cx = at(Math.min(high, Math.max(low, value)));
  if (marks && !unsure) {
    for (const m of marks) {
      const gap = length / 2 + markWidth / 2 + 1;
      if (Math.abs(cx - at(m)) < gap) cx = at(m) + Math.sign(value - m) * gap;
    }
  }
  bubble(g, cx, y + h / 2, off ? length * 0.7 : length, off ? h * 0.5 : h * 0.72, { unsure, hollow: stale });
  if (off) {
    g.fillStyle = ink.ink;
    g.font = `800 ${h * 0.5}px ${ink.ui}`;
    g.textBaseline = "middle";
    g.textAlign = off < 0 ? "left" : "right";
    g.fillText(off < 0 ? "‹" : "›", off < 0 ? x + 6 : x + w - 6, y + h / 2);
  }
  return at;
}

// The large level with its trail: `trail` holds [seconds, degrees or null], the newest last.
// `gone` frames the gap of a sensor that is being looked for: [since seconds, what to say].
export function drawLevel(element, { reading, band, stale, trail, seconds, ago, gone = null }) {
  const [g, w, h] = canvas(element);
  const tubeHeight = Math.min(84, h * 0.28);
  const y = 12;
  const at = vial(g, { x: 3, y, w: w - 6, h: tubeHeight, reading, marks: band, span: SPAN_DEG, stale });
  const top = y + tubeHeight + 8;
  const perSecond = (h - top - 4) / TRAIL_S;
  if (band) corridor(g, at(band[0]), at(band[1]), top, h, w);
  g.fillStyle = ink.ink;
  g.font = `600 15px ${ink.ui}`;
  g.textAlign = "left";
  g.textBaseline = "middle";
  for (const s of [2, 4]) g.fillText(ago.replace("{n}", s), 2, top + s * perSecond);
  g.lineWidth = ink.trace;
  g.strokeStyle = ink.now;
  g.lineJoin = "round";
  g.beginPath();
  let open = false;
  let before = null; // time of the point drawn last
  for (let i = trail.length - 1; i >= 0; i--) {
    const [when, degrees] = trail[i];
    if (seconds - when > TRAIL_S) break;
    if (degrees === null) {
      open = false;
      continue;
    }
    const px = at(Math.max(-SPAN_DEG, Math.min(SPAN_DEG, degrees)));
    const py = top + (seconds - when) * perSecond;
    if (open && before - when <= 0.4) g.lineTo(px, py);
    else g.moveTo(px, py);
    open = true;
    before = when;
  }
  g.stroke();
  if (gone) frameGap(g, gone, { top, perSecond, seconds, w, h });
}

function frameGap(g, [since, text], { top, perSecond, seconds, w, h }) {
  const height = Math.max(44, Math.min(h - top - 6, Math.min(seconds - since, TRAIL_S) * perSecond));
  g.setLineDash([7, 5]);
  g.lineWidth = 2;
  g.strokeStyle = ink.ink;
  g.fillStyle = ink.card;
  g.beginPath();
  g.rect(w * 0.14, top + 4, w * 0.84, height);
  g.fill();
  g.stroke();
  g.setLineDash([]);
  g.fillStyle = ink.ink;
  g.font = `600 17px ${ink.ui}`;
  g.textAlign = "center";
  g.textBaseline = "middle";
  g.fillText(text, w * 0.56, top + 4 + Math.min(height, 90) / 2);
}

function corridor(g, left, right, top, h, w) {
  g.save();
  g.beginPath();
  g.rect(left, top, right - left, h - top);
  g.clip();
  g.strokeStyle = ink.hatch;
  g.lineWidth = 1;
  for (let i = -h; i < w; i += 12) {
    g.beginPath();
    g.moveTo(i, h);
    g.lineTo(i + h, top);
    g.stroke();
  }
  g.restore();
  g.strokeStyle = ink["corridor-edge"];
  g.lineWidth = 2;
  for (const x of [left, right]) {
    g.beginPath();
    g.moveTo(x, top);
    g.lineTo(x, h);
    g.stroke();
  }
}

export function drawSmall(element, { reading, span, marks = null, stale = false, verdict = null, pad = 10 }) {
  const [g, w, h] = canvas(element);
  const middle = marks ? (marks[0] + marks[1]) / 2 : 0;
  vial(g, { x: 3, y: pad, w: w - 6, h: h - 2 * pad, reading, marks, span, middle, stale, verdict });
}

// How still: the last seconds of turning, under a dashed limit.
export function drawStillness(element, guide, limitWord) {
  const [g, w, h] = canvas(element);
  const limit = guide.limit_dps;
  const y = (rate) => h - 6 - (Math.min(rate, 3 * limit) / (3 * limit)) * (h - 12);
  g.setLineDash([7, 5]);
  g.strokeStyle = ink.ink;
  g.lineWidth = 2;
  g.beginPath();
  g.moveTo(0, y(limit));
  g.lineTo(w, y(limit));
  g.stroke();
  g.setLineDash([]);
  g.font = `400 14px ${ink.ui}`;
  g.textAlign = "right";
  g.fillStyle = ink.ink;
  g.fillText(limitWord, w - 6, y(limit) - 8);
  if (!guide.strip.length) return;
  const x = (ago) => w + (ago / guide.hold_s) * w;
  g.beginPath();
  guide.strip.forEach(([ago, rate], i) => (i ? g.lineTo(x(ago), y(rate)) : g.moveTo(x(ago), y(rate))));
  g.lineWidth = ink.trace;
  g.strokeStyle = ink.now;
  g.stroke();
  g.lineTo(w, h);
  g.lineTo(x(guide.strip[0][0]), h);
  g.fillStyle = ink["now-soft"];
  g.fill();
}

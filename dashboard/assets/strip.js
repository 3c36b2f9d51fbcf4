/* The strip: pictures at the events, traces in their corridors, numbers; or the same as a table.
   What is out, unsure or missing comes with the figure; here it only gets its place. */
(function () {
  "use strict";
  const d = (window.dashboard = window.dashboard || {});
  const h = React.createElement;
  const GUTTER = 94, RIGHT = 10, NARROW = 660;

  const line = (xs, ys, first, last) => {
    let out = "", pen = false;
    for (let i = first; i <= last; i++) {
      if (ys[i] === null || Number.isNaN(ys[i])) { pen = false; continue; }
      out += (pen ? "L" : "M") + xs[i].toFixed(1) + "," + ys[i].toFixed(1);
      pen = true;
    }
    return out;
  };

  function ribbon(xs, lows, highs) {
    let out = "", start = null;
    for (let i = 0; i <= xs.length; i++) {
      const known = i < xs.length && lows[i] !== null;
      if (known && start === null) start = i;
      if (!known && start !== null) {
        let up = "", down = "";
        for (let k = start; k < i; k++) { up += (up ? "L" : "M") + xs[k].toFixed(1) + "," + highs[k].toFixed(1); down = "L" + xs[k].toFixed(1) + "," + lows[k].toFixed(1) + down; }
        out += up + down + "Z";
        start = null;
      }
    }
    return out;
  }

  /* One trace with corridor, ribbon, thick parts and missing stretches, in the box x0…x1, y0…y1. */
  function trace(panel, place, x, y0, y1, ids, options) {
    const [low, high] = panel.scale;
    const toY = (v) => y1 - ((v - low) / (high - low)) * (y1 - y0);
    const hold = (v) => Math.max(y0, Math.min(y1, toY(v)));
    const xs = place.map(x);
    const ys = panel.y.map((v) => (v === null ? null : toY(v)));
    const lows = panel.y.map((v, i) => (v === null ? null : hold(v - (panel.u95[i] || 0))));
    const highs = panel.y.map((v, i) => (v === null ? null : hold(v + (panel.u95[i] || 0))));
    const out = [];
    const zero = toY(0);
    if (zero > y0 && zero < y1) out.push(h("line", { key: "zero", className: "zero", x1: options.left, x2: options.right, y1: zero, y2: zero }));
    panel.corridor.forEach((strip, k) => {
      const px = strip.map((s) => options.corridorX(s[0]));
      const up = strip.map((s, i) => `${i ? "L" : "M"}${px[i].toFixed(1)},${hold(s[2]).toFixed(1)}`).join("");
      const down = strip.map((s, i) => `${px[i].toFixed(1)},${hold(s[1]).toFixed(1)}`);
      out.push(h("path", { key: "cf" + k, d: up + "L" + down.slice().reverse().join("L") + "Z", style: { fill: `url(#${ids}-hatch)` } }));
      out.push(h("path", { key: "ce" + k, className: "corridor-edge", d: up + "M" + down.join("L") }));
    });
    out.push(h("path", { key: "ribbon", className: "ribbon", d: ribbon(xs, lows, highs) }));
    out.push(h("path", { key: "line", className: "trace", d: line(xs, ys, 0, xs.length - 1) }));
    panel.outside.forEach(([a, b], k) => out.push(h("path", { key: "o" + k, className: "trace-out", d: line(xs, ys, a, b) })));
    panel.missing.forEach((gap, k) => {
      const a = xs.length ? xs[gap.first] : options.left, b = xs.length ? xs[gap.last] : options.right;
      if (b - a < 6) return;
      out.push(h("rect", { key: "g" + k, x: a, y: y0 + 4, width: b - a, height: y1 - y0 - 8, style: { fill: `url(#${ids}-dots)` } }));
      if (b - a > 90) out.push(words(fitted(gap.reason, b - a - 12), { key: "gt" + k, x: (a + b) / 2, y: (y0 + y1) / 2 + 4, className: "note mid halo" }));
    });
    if (!xs.length) {
      out.push(h("rect", { key: "all", x: options.left, y: y0 + 4, width: options.right - options.left, height: y1 - y0 - 8, style: { fill: `url(#${ids}-dots)` } }));
    }
    return out;
  }

  /* Cut to what fits, by the mean width of a letter; the whole reason stands under "Not known". */
  const fitted = (text, width) => { const n = Math.floor(width / 6.6); return text.length <= n ? text : text.slice(0, Math.max(1, n - 1)).trimEnd() + "…"; };
  const words = (text, props) => h("text", props, text);
  const lines = (text, x, y, gap, props) => text.split("|").map((t, i) => h("text", { ...props, key: (props.key || "") + t + i, x, y: y + i * gap }, t));

  /* A name over at most two lines. */
  /* A name over a column, broken so that it stays clear of its neighbours. */
  function broken(name, column) {
    const parts = name.split(" ");
    const rows = twoLines(name, parts);
    return rows.some((row) => row.length * 6.4 > column) ? parts : rows;
  }

  /* A name inside a sentence: small, but in a language that writes its nouns with capitals. */
  const within = (name) => (document.documentElement.lang === "de" ? name : name.toLowerCase());

  function twoLines(name, parts) {
    return parts.length > 2 ? [parts.slice(0, 2).join(" "), parts.slice(2).join(" ")] : name.length > 12 && parts.length > 1 ? parts : [name];
  }

  function patterns(ids) {
    return h("defs", { key: "defs" },
      h("pattern", { id: ids + "-hatch", width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, h("line", { x1: 0, x2: 0, y1: 0, y2: 7, className: "hatch" })),
      h("pattern", { id: ids + "-dots", width: 6, height: 6, patternUnits: "userSpaceOnUse" }, h("circle", { cx: 2, cy: 2, r: 0.8, className: "dot" })));
  }

  /* The whole strip for a wide page, as SVG children and a height. */
  function wide(figure, width, view, cursor, ids) {
    const w = figure.words;
    const column = (width - GUTTER - RIGHT) / 10;
    const x = (place) => GUTTER + (place + 0.5) * column;
    const place = view === "real" ? figure.real : figure.equal;
    const left = GUTTER + 4, right = width - 4;
    /* From places by event number (as corridors have them) to the place that is drawn. */
    const reached = figure.events.map((e, k) => [k, e.real]).filter(([, r]) => r !== null);
    const corridorX = (p) => {
      if (view !== "real" || reached.length < 2) return x(p);
      let a = reached[0], b = reached[1];
      for (let i = 0; i + 1 < reached.length; i++) if (reached[i][0] <= p) { a = reached[i]; b = reached[i + 1]; }
      return x(a[1] + ((p - a[0]) / (b[0] - a[0])) * (b[1] - a[1]));
    };
    const eventX = (e, k) => (view === "real" ? (e.real === null ? null : x(e.real)) : x(k));
    const here = figure.events.findIndex((e) => e.key === cursor.event);
    const cx = place.length ? x(place[cursor.sample] ?? place[place.length - 1]) : x(Math.max(0, here));
    const back = [], front = [], text = [], zones = [];
    const names = figure.events.map((e) => broken(e.label, column));
    const Y = { figure: 46, wrist: 128, name: 178, foot: 173 + 16 * Math.max(2, ...names.map((rows) => rows.length)) };

    back.push(h("rect", { key: "sel", className: "selected", x: x(here) - column / 2 + 3, y: 2, width: column - 6, height: Y.foot - 2, rx: 9 }));
    lines(w.front, 0, 26, 18, { className: "note", key: "wf" }).forEach((e) => text.push(e));
    lines(w.thumb, 0, 116, 18, { className: "note", key: "wt" }).forEach((e) => text.push(e));
    figure.events.forEach((e, k) => {
      front.push(h("g", { key: "a" + k }, d.armShape(figure.pose, e.sample, x(k), Y.figure, 1.02)));
      const wrist = figure.panels[0].cells[k].value;
      front.push(h("g", { key: "w" + k }, d.wristShape(e.sample === null ? null : wrist, x(k), Y.wrist, 0.92)));
      names[k].forEach((t, i) => text.push(h("text", { key: "n" + k + i, x: x(k), y: Y.name + i * 16, className: "event-name mid" + (k === here ? " strong" : "") + (e.t === null ? " faint" : "") }, t)));
    });

    /* Seconds: between the events, or as an axis with leaders to the columns above. */
    let y = Y.foot + 14;
    if (view === "real") {
      figure.events.forEach((e, k) => { const ex = eventX(e, k); if (ex !== null) back.push(h("path", { key: "lead" + k, className: "leader", d: `M${x(k)},${Y.foot + 2} L${x(k)},${Y.foot + 6} L${ex},${Y.foot + 34} V${Y.foot + 40}` })); });
      y = Y.foot + 54;
      const times = figure.events.map((e) => e.t).filter((t) => t !== null);
      const end = Math.max(...times);
      const step = end > 6 ? 2 : end > 3 ? 1 : end > 1.5 ? 0.5 : 0.25;
      const first = reached[0], last = reached[reached.length - 1];
      for (let t = 0; t <= end + 1e-9; t += step) {
        const tx = x(first[1] + (t / end) * (last[1] - first[1]));
        text.push(h("text", { key: "t" + t, x: tx, y: y + 1, className: "tick mid halo" }, `${d.number(t, 2, true)} s`));
      }
    } else {
      back.push(h("line", { key: "secs", className: "leader", x1: x(0), x2: x(9), y1: y, y2: y }));
      figure.phases.forEach((p, k) => text.push(h("text", { key: "s" + k, x: (x(p.from) + x(p.to)) / 2, y: y + 4.5, className: "tick mid halo" }, p.text)));
    }
    y += 16;
    const top = y;

    figure.panels.forEach((panel, k) => {
      const banded = panel.cells.some((c) => c.level);
      const height = panel.tall ? 216 : 54;
      const y0 = y + (panel.tall ? 4 : 8), y1 = y0 + height;
      if (k) back.push(h("line", { key: "sep" + k, className: "separator", x1: 0, x2: width, y1: y, y2: y }));
      text.push(h("text", { key: "l" + k, x: 0, y: y0 + 14, className: "panel-name" }, panel.label));
      const [low, high] = panel.scale;
      const toY = (v) => y1 - ((v - low) / (high - low)) * (y1 - y0);
      if (panel.tall) {
        text.push(h("text", { key: "p" + k, x: 0, y: y0 + 34, className: "note" }, panel.plus));
        front.push(h("g", { key: "ip" + k }, d.stick("plus", Math.max(56, panel.plus.length * 7.4 + 6), y0 + 30)));
        text.push(h("text", { key: "m" + k, x: 0, y: y1 - 22, className: "note" }, panel.minus));
        front.push(h("g", { key: "im" + k }, d.stick("minus", Math.max(58, panel.minus.length * 7.4 + 6), y1 - 26)));
      } else {
        text.push(h("text", { key: "p" + k, x: 0, y: y0 + 31, className: "note" }, panel.plus));
        text.push(h("text", { key: "m" + k, x: 0, y: y0 + 47, className: "note" }, panel.minus));
        text.push(h("text", { key: "pa" + k, x: 82, y: y0 + 31, className: "note mid" }, "↑"));
        text.push(h("text", { key: "ma" + k, x: 82, y: y0 + 47, className: "note mid" }, "↓"));
      }
      /* A name that reaches the axis takes the place of the number beside it. */
      const free = (t) => panel.label.length < 9 || toY(t) > y0 + 26;
      if (panel.tall) panel.ticks.filter(free).forEach((t) => text.push(h("text", { key: "tick" + k + t, x: left - 8, y: toY(t) + 4, className: "tick end" }, t < 0 ? "−" + -t : String(t))));
      figure.events.forEach((e, j) => { const ex = eventX(e, j); if (ex !== null) back.push(h("line", { key: "v" + k + j, className: "event-line", x1: ex, x2: ex, y1: y + 1, y2: y1 })); });
      zones.push([y + 1, y1]);
      front.push(h("g", { key: "tr" + k }, trace(panel, place, x, y0, y1, ids, { left, right, corridorX })));
      if (panel.outside.length && panel.tall) {
        const [a, b] = panel.outside[0];
        const mid = Math.round((a + b) / 2);
        const below = panel.cells[here] && panel.y[mid] < (panel.scale[0] + panel.scale[1]) / 2;
        const tx = Math.min(Math.max(x(place[a]), left + 60), right - 80);
        text.push(h("text", { key: "thick", x: tx - 8, y: below ? y1 - 6 : y0 + 14, className: "note strong end halo" }, w.thick));
      }
      y = y1 + (panel.tall ? 20 : 17);
      if (panel.tall) text.push(h("text", { key: "ae" + k, x: 0, y, className: "note" }, w.at_event));
      panel.cells.forEach((c, j) => {
        text.push(h("text", { key: "c" + k + j, x: x(j), y, className: "number mid halo" + (j === here ? " strong" : ""), "data-cell": `${panel.angle}@${figure.events[j].key}` },
          c.text, c.doubt ? h("tspan", { className: "doubt", dx: 3 }, c.doubt) : null));
      });
      y += 9;
      if (banded) {
        const lw = Math.min(panel.tall ? 60 : 48, column - 10), lh = panel.tall ? 14 : 12;
        y += 5;
        if (panel.tall) text.push(h("text", { key: "ib" + k, x: 0, y: y + lh - 2, className: "note" }, w.in_band));
        panel.cells.forEach((c, j) => {
          if (c.level) {
            front.push(h("g", { key: "lv" + k + j, className: "level" }, d.levelShape(c.level, x(j) - lw / 2, y, lw, lh, `${ids}-s${k}-${j}`)));
            text.push(h("text", { key: "wd" + k + j, x: x(j), y: y + lh + 17, className: "word mid halo" + (c.sure ? " strong" : "") }, c.word));
          } else if (panel.tall) text.push(h("text", { key: "wd" + k + j, x: x(j), y: y + lh - 2, className: "note mid" }, c.reason ? "" : c.word));
        });
        y += lh + 27;
      } else y += 4;
    });
    const bottom = y;
    /* In real time the numbers stand in their own columns: the cursor keeps to the traces. */
    const spans = view === "real" ? zones.map(([a, b], k) => [k ? a : top - 6, b]) : [[cursor.exact ? Y.foot : top - 6, bottom - 6]];
    spans.forEach(([a, b], k) => front.push(h("line", { key: "cursor" + k, className: "cursor", x1: cx, x2: cx, y1: a, y2: b })));
    const handle = !cursor.exact || view === "real" ? h("circle", { key: "handle", className: "cursor-handle", cx, cy: top - 6, r: 5 }) : null;
    return { children: [patterns(ids), ...back, ...front, handle, ...text], height: bottom, x, place, top, column, headBottom: Y.foot };
  }

  function Wide({ figure, width, view, cursor }) {
    const ids = d.useId("strip");
    const shape = React.useMemo(() => wide(figure, width, view, cursor, ids), [figure, width, view, cursor]);
    const svg = React.useRef(null);
    const drag = React.useRef(false);
    const spot = (e) => { const box = svg.current.getBoundingClientRect(); const k = width / box.width; return [(e.clientX - box.left) * k, (e.clientY - box.top) * k]; };
    const pick = (e, moving) => {
      const [px, py] = spot(e);
      if (px < GUTTER) return;
      if (!moving && (py < shape.headBottom || !figure.t.length)) {
        const k = Math.max(0, Math.min(9, Math.floor((px - GUTTER) / shape.column)));
        d.cursor.toEvent(figure, figure.events[k].key);
        return;
      }
      d.cursor.toSample(figure, nearest(shape.place, (px - GUTTER) / shape.column - 0.5));
      drag.current = true;
    };
    return h("svg", { ref: svg, className: "strip-svg", viewBox: `0 0 ${width} ${shape.height}`, width, height: shape.height, "aria-hidden": true,
      onPointerDown: (e) => { if (e.button) return; e.currentTarget.setPointerCapture(e.pointerId); pick(e, false); },
      onPointerMove: (e) => drag.current && pick(e, true),
      onPointerUp: () => (drag.current = false), onPointerCancel: () => (drag.current = false) }, shape.children);
  }

  const nearest = (places, p) => {
    let a = 0, b = places.length - 1;
    while (b - a > 1) { const m = (a + b) >> 1; if (places[m] < p) a = m; else b = m; }
    return Math.abs(places[a] - p) <= Math.abs((places[b] ?? Infinity) - p) ? a : b;
  };
  d.nearest = nearest;

  /* The phone: cards of events, one panel, tabs of angles, one trace. */
  function Narrow({ figure, width, cursor, angle, setAngle, slider }) {
    const ids = d.useId("strip");
    const here = Math.max(0, figure.events.findIndex((e) => e.key === cursor.event));
    const panel = figure.panels.find((p) => p.angle === angle) || figure.panels[0];
    const c = panel.cells[here], wrist = figure.panels[0].cells[here];
    const cards = React.useRef(null);
    React.useEffect(() => {
      const card = cards.current && cards.current.children[here];
      if (card) cards.current.scrollLeft = card.offsetLeft - (cards.current.clientWidth - card.clientWidth) / 2;
    }, [here, width]);
    const margin = { left: 40, right: 10 };
    const height = 250, y0 = 8, y1 = height - 34;
    const x = (p) => margin.left + (p / 9) * (width - 34 - margin.left - margin.right);
    const inner = width - 34;
    const [low, high] = panel.scale;
    const toY = (v) => y1 - ((v - low) / (high - low)) * (y1 - y0);
    const cx = figure.t.length ? x(figure.equal[cursor.sample] ?? 0) : x(here);
    const svg = React.useRef(null), drag = React.useRef(false);
    const pick = (e) => { const box = svg.current.getBoundingClientRect(); const px = ((e.clientX - box.left) * inner) / box.width; d.cursor.toSample(figure, nearest(figure.equal, ((px - margin.left) / (inner - margin.left - margin.right)) * 9)); };
    const ticks = panel.ticks.length > 1 ? panel.ticks : [0];
    return h("div", { className: "narrow" },
      h("div", { className: "cards", ref: cards, role: "group", "aria-label": figure.words.events },
        figure.events.map((e, k) => h("button", { key: e.key, type: "button", className: "event-card", "aria-pressed": k === here, onClick: () => d.cursor.toEvent(figure, e.key) },
          h("svg", { viewBox: "-42 -36 84 72", width: 84, height: 64, "aria-hidden": true }, d.armShape(figure.pose, e.sample, 0, 0, 1.05)),
          h("span", null, e.label)))),
      h("div", { className: "card now-panel" },
        h("svg", { viewBox: "-26 -42 52 76", width: 116, height: 170, "aria-hidden": true }, d.wristShape(wrist.value, 0, 0, 1)),
        h("div", { className: "now-text" },
          h("p", { className: "now-name" }, figure.events[here].label + (panel === figure.panels[0] ? "" : ", " + within(panel.label))),
          h("p", { className: "now-number", "data-cell": `${panel.angle}@${figure.events[here].key}` }, c.value === null ? c.text : c.text + "°", c.doubt ? h("span", { className: "doubt" }, " " + c.doubt.replace("±", "± ")) : null),
          c.reason ? h("p", { className: "note" }, c.reason) : c.level ? h(React.Fragment, null,
            h(d.Level, { level: c.level, width: Math.min(190, width - 190), height: 36, label: c.spoken }),
            h("p", { className: "ends" }, h("span", null, panel.minus), h("strong", null, c.word), h("span", null, panel.plus))) : h("p", { className: "note" }, c.sided + " · " + c.word))),
      h("div", { className: "segments", role: "group", "aria-label": figure.words.angle_tabs },
        figure.panels.map((p) => h("button", { key: p.angle, type: "button", "aria-pressed": p === panel, onClick: () => setAngle(p.angle) }, p.label.split(" ")[0]))),
      h("div", { ...slider, className: "card trace-card strip-slider" },
        h("svg", { ref: svg, viewBox: `0 0 ${inner} ${height}`, width: inner, height, className: "strip-svg", "aria-hidden": true,
          onPointerDown: (e) => { e.currentTarget.setPointerCapture(e.pointerId); drag.current = true; pick(e); },
          onPointerMove: (e) => drag.current && pick(e), onPointerUp: () => (drag.current = false), onPointerCancel: () => (drag.current = false) },
          patterns(ids),
          figure.events.map((e, k) => h("line", { key: "v" + k, className: "event-line", x1: x(k), x2: x(k), y1: y0, y2: y1 })),
          ticks.map((t) => h("text", { key: "t" + t, x: margin.left - 8, y: toY(t) + 4, className: "tick end" }, t < 0 ? "−" + -t : String(t))),
          trace(panel, figure.equal, x, y0, y1, ids, { left: margin.left, right: inner - margin.right, corridorX: x }),
          h("line", { className: "cursor", x1: cx, x2: cx, y1: y0, y2: y1 }),
          h("circle", { className: "cursor-handle big", cx, cy: y1 + 14, r: 13 }),
          h("path", { className: "cursor-arrows", d: `M${cx - 3},${y1 + 9} l-5,5 l5,5 M${cx + 3},${y1 + 9} l5,5 l-5,5` }),
          Math.abs(cx - x(0)) > 60 ? h("text", { x: x(0), y: y1 + 19, className: "note" }, within(figure.events[0].label)) : null,
          Math.abs(cx - x(9)) > 60 ? h("text", { x: x(9), y: y1 + 19, className: "note end" }, within(figure.events[9].label)) : null)));
  }

  function Table({ figure, cursor, shown }) {
    const w = figure.words;
    return h("div", { className: shown ? "scroll table-view" : "unseen", role: shown ? "region" : null, tabIndex: shown ? 0 : null, "aria-label": shown ? w.table_caption : null },
      h("table", null, h("caption", { className: shown ? "" : "unseen" }, w.table_caption),
        h("thead", null, h("tr", null, h("th", { scope: "col" }, w.table_angle), figure.events.map((e) => h("th", { key: e.key, scope: "col", "aria-current": e.key === cursor.event ? "true" : null, className: e.key === cursor.event ? "here" : "" }, e.label)))),
        h("tbody", null,
          h("tr", null, h("th", { scope: "row" }, w.time), figure.events.map((e) => h("td", { key: e.key }, e.t === null ? w.not_reached : d.number(e.t, 2) + " s"))),
          figure.numbers.map((row) => h("tr", { key: row.angle }, h("th", { scope: "row" }, row.label),
            row.cells.map((c, k) => h("td", { key: k, "data-value": c.value, "data-u95": c.u95, "data-cell": `${row.angle}@${figure.events[k].key}`, title: c.reason, className: figure.events[k].key === cursor.event ? "here" : "" },
              h("span", { className: "number" }, c.text), " ", h("span", { className: "doubt" }, c.doubt), c.level && c.value !== null ? h("span", { className: "word" + (c.sure ? " strong" : "") }, " " + c.word) : null, shown ? null : c.reason ? " " + c.reason : null)))))));
  }

  d.Strip = function (props) {
    const figure = React.useMemo(() => JSON.parse(props.figure), [props.figure]);
    const box = React.useRef(null);
    const width = d.useWidth(box);
    const cursor = d.useCursor();
    const [view, setView] = React.useState(() => { const v = d.link.get("view"); return ["equal", "real", "table"].includes(v) ? v : "equal"; });
    const [angle, setAngle] = React.useState(() => d.link.get("angle") || "wrist_flexion");
    React.useLayoutEffect(() => { d.cursor.adopt(figure); d.shown = { ...props, figure }; }, [figure]);
    const w = figure.words;
    const narrow = width > 0 && width < NARROW;
    const choose = (v) => { setView(v); d.link.note({ view: v === "equal" ? null : v }); };
    const k = Math.max(0, figure.events.findIndex((e) => e.key === cursor.event));
    const event = figure.events[k];
    const shownPanel = Math.max(0, figure.panels.findIndex((p) => p.angle === angle));
    const t = figure.t[cursor.sample];
    const said = cursor.exact || t === undefined ? `${event.label}${event.t === null ? ": " + w.not_reached : ""}. ${event.spoken[narrow ? shownPanel : 0]}`
      : `${d.number(t, 2)} s. ` + figure.panels.map((p) => `${p.label} ${p.y[cursor.sample] === null ? "—" : Math.round(p.y[cursor.sample])}`).join(", ");
    const keys = (e) => {
      const step = { ArrowRight: 1, ArrowUp: 1, ArrowLeft: -1, ArrowDown: -1 }[e.key];
      if (step && e.shiftKey) d.cursor.toSample(figure, cursor.sample + step);
      else if (step) d.cursor.toEvent(figure, figure.events[Math.max(0, Math.min(9, k + step))].key);
      else if (e.key === "Home") d.cursor.toEvent(figure, figure.events[0].key);
      else if (e.key === "End") d.cursor.toEvent(figure, figure.events[9].key);
      else return;
      e.preventDefault();
    };
    const slider = { role: "slider", tabIndex: 0, "aria-label": w.cursor, "aria-valuemin": 0, "aria-valuemax": 9, "aria-valuenow": k, "aria-valuetext": said, onKeyDown: keys, className: "strip-slider" };
    const drawn = width === 0 ? null : narrow
      ? h(Narrow, { figure, width, cursor, angle, slider, setAngle: (a) => { setAngle(a); d.link.note({ angle: a === "wrist_flexion" ? null : a }); } })
      : h("div", slider, h(Wide, { figure, width, view, cursor }));
    const head = h("div", { className: "strip-head" },
      h("h2", { className: "card-title" }, w.title),
      h("div", { className: "legend", "aria-hidden": true },
        figure.panels.some((p) => p.corridor.length) ? h("span", null, h("i", { className: "key-corridor" }), figure.source) : h("span", null, figure.source),
        h("span", null, h("i", { className: "key-ribbon" }), w.ribbon)),
      h("div", { className: "segments", role: "group", "aria-label": w.view }, ["equal", "real", "table"].map((v) => h("button", { key: v, type: "button", "aria-pressed": v === view, onClick: () => choose(v) }, w[v]))));
    return h("section", { id: props.id, className: "strip" + (narrow ? " is-narrow" : " card") },
      narrow ? h("h2", { className: "unseen" }, w.title) : head,
      h("div", { ref: box }, narrow || view !== "table" ? drawn : null),
      h(Table, { figure, cursor, shown: !narrow && view === "table" }));
  };

  d.wideStrip = (figure, width, view, cursor, ids) => wide(figure, width, view, cursor, ids);
})();

/* Small drawings: the level, the wrist from the thumb side, arm and club from the front. */
(function () {
  "use strict";
  const d = (window.dashboard = window.dashboard || {});
  const h = React.createElement;
  let serial = 0;

  /* A number as the page's language writes it; `most`: without zeros at its end. */
  d.number = (x, digits, most) => x.toLocaleString(document.documentElement.lang || "en", { minimumFractionDigits: most ? 0 : digits, maximumFractionDigits: digits, useGrouping: false });

  /* Ids of patterns must differ between drawings on one page. */
  d.useId = (stem) => { const ref = React.useRef(null); if (!ref.current) ref.current = stem + ++serial; return ref.current; };

  /* The vial as SVG elements with its top left corner at x, y. `level` is figures.level. */
  d.levelShape = function (level, x, y, width, height, id) {
    const tube = Math.max(1.6, Math.min(3, height / 9));
    const mark = Math.max(1.8, Math.min(4, height / 8));
    const r = height / 2;
    const none = level.state === "none";
    const out = [
      h("rect", { key: "tube", x, y, width, height, rx: r, className: none ? "vial none" : "vial", strokeWidth: tube }),
    ];
    if (none) {
      const n = Math.max(3, Math.floor(width / 8));
      for (let i = 1; i < n; i++) for (let j = 1; j < 4; j++)
        out.push(h("circle", { key: "d" + i + j, cx: x + (width * i) / n, cy: y + (height * j) / 4, r: 0.9, className: "dot" }));
    } else {
      out.push(h("path", { key: "lip", className: "lip", d: `M${x + r},${y + tube} h${width - 2 * r} a${r - tube},${height * 0.3} 0 0 1 ${r * 0.6},${height * 0.26} h${-(width - 0.8 * r)} a${r - tube},${height * 0.3} 0 0 1 ${r * 0.6},${-height * 0.26}z` }));
    }
    const inner = tube * 0.5 + height * 0.1;
    if (level.bubble) {
      const a = x + level.bubble[0] * width, b = x + level.bubble[1] * width;
      const x0 = Math.max(a, x + inner), x1 = Math.min(b, x + width - inner);
      const bh = height - 2 * inner, bw = Math.max(2, x1 - x0);
      const striped = level.state === "unsure";
      if (striped) out.push(h("pattern", { key: "p", id, width: 4, height: 4, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
        h("rect", { width: 4, height: 4, className: "stripe-gap" }), h("rect", { width: 2, height: 4, className: "bubble-fill" })));
      out.push(h("rect", { key: "bubble", x: x0, y: y + inner, width: bw, height: bh, rx: Math.min(bh / 2, bw / 2), className: "bubble", fill: striped ? `url(#${id})` : undefined, strokeWidth: striped ? 1.4 : 0, style: striped ? { fill: `url(#${id})` } : null }));
      if (!striped && bh > 12) out.push(h("path", { key: "glint", className: "glint", d: `M${x0 + bw * 0.26},${y + inner + bh * 0.4} q${bw * 0.06},${-bh * 0.18} ${bw * 0.22},${-bh * 0.2}` }));
      if (level.off) {
        const cx = level.off < 0 ? x + inner + bw + 3 : x + width - inner - bw - 3, s = level.off * bh * 0.22;
        out.push(h("path", { key: "off", className: "chevron", d: `M${cx - s / 2},${y + height / 2 - bh * 0.24} l${s},${bh * 0.24} l${-s},${bh * 0.24}` }));
      }
    }
    if (level.marks) level.marks.forEach((m, i) => {
      const mx = x + m * width;
      out.push(h("line", { key: "m" + i, x1: mx, x2: mx, y1: y - height * 0.16, y2: y + height * 1.16, className: "mark", strokeWidth: mark }));
    });
    return out;
  };

  d.Level = function (props) {
    const id = d.useId("level");
    const { width, height } = props;
    const pad = height * 0.2 + 1;
    return h("svg", { className: "level", width, height: height + 2 * pad, viewBox: `-1 ${-pad} ${width + 2} ${height + 2 * pad}`, role: props.label ? "img" : null, "aria-label": props.label || null, "aria-hidden": props.label ? null : true },
      d.levelShape(props.level, 0, 0, width, height, id));
  };

  /* The wrist from the thumb side, wrist at x, y: cup leans left, bow leans right, on either arm. */
  d.wristShape = function (flexion, x, y, size) {
    const known = flexion !== null && flexion !== undefined;
    const turn = known ? flexion : 0;
    const end = (deg, r) => [r * Math.sin((deg * Math.PI) / 180), -r * Math.cos((deg * Math.PI) / 180)];
    const [wx, wy] = end(turn, 29);
    return h("g", { transform: `translate(${x},${y}) scale(${size})`, className: known ? "wrist" : "wrist unknown" },
      h("line", { className: "flat", x1: 0, y1: 2, x2: 0, y2: -33 }),
      known && Math.abs(turn) >= 1 ? h("path", { className: "wedge", d: `M0,2 L0,-29 A29,29 0 0 ${turn > 0 ? 1 : 0} ${wx},${wy} Z` }) : null,
      h("path", { className: "limb", d: "M-6.2,0 L-8,31 M6,0 L8.6,31" }),
      h("rect", { className: "worn", x: -12.2, y: 14, width: 4.6, height: 10, rx: 1.4 }),
      h("g", { transform: `rotate(${turn})` },
        h("line", { className: "shaft", x1: 1, y1: -14, x2: 1, y2: -38 }),
        h("path", { className: "fist", d: "M-6.4,3 L-8.4,-13 Q-9,-19 -4.5,-21.5 Q-1.5,-23.5 2,-22 Q6,-22.5 7.6,-19 Q10,-16 9,-11 L6.6,3.4 Q0,5.6 -6.4,3 Z" }),
        h("path", { className: "finger", d: "M-4.5,-21 Q-5.5,-13 -3,-8 M-0.8,-22 Q-1,-13 1,-9 M3.6,-22 Q4.4,-14 5,-9.5" })));
  };

  /* Directions of forearm, hand and club at one sample, each a vector in the target frame. */
  function directions(pose, i) {
    const sub = (a, b) => (a && b ? [a[0] - b[0], a[1] - b[1], a[2] - b[2]] : null);
    const unit = (v) => { if (!v) return null; const n = Math.hypot(...v) || 1; return v.map((c) => c / n); };
    const at = (list) => (list && list[i]) || null;
    return {
      forearm: unit(sub(at(pose.elbow), at(pose.wrist))),
      hand: unit(sub(at(pose.knuckles), at(pose.wrist))),
      club: unit(sub(at(pose.head), at(pose.knuckles) || at(pose.wrist))),
      toe: at(pose.toe),
    };
  }

  /* Arm, hand and club seen from the front, its middle at x, y. Lengths are for the eye, directions are measured. */
  d.armShape = function (pose, i, x, y, size) {
    if (!pose.samples || i === null || i === undefined) return h("text", { x, y: y + 4, className: "faint mid" }, "—");
    const dir = directions(pose, i);
    const m = pose.mirrored ? -1 : 1;
    const flat = (v, r) => (v ? [v[0] * m * r, -v[2] * r] : [0, 0]);
    const add = (a, b) => [a[0] + b[0], a[1] + b[1]];
    const elbow = flat(dir.forearm, 27), knuckle = flat(dir.hand, 8);
    const head = add(knuckle, flat(dir.club, 32));
    const blade = add(head, flat(dir.toe, 7)), heel = add(head, flat(dir.club, -4));
    const points = [[0, 0], elbow, knuckle, head];
    const xs = points.map((p) => p[0]), ys = points.map((p) => p[1]);
    const cx = (Math.min(...xs) + Math.max(...xs)) / 2, cy = (Math.min(...ys) + Math.max(...ys)) / 2;
    const p = (a) => a[0].toFixed(1) + "," + a[1].toFixed(1);
    return h("g", { transform: `translate(${x},${y}) scale(${size}) translate(${-cx},${-cy})`, className: "arm-figure" },
      dir.club ? h("g", null, h("line", { className: "shaft", x1: knuckle[0], y1: knuckle[1], x2: head[0], y2: head[1] }),
        h("path", { className: "club-head", d: `M${p(heel)} L${p(head)} L${p(blade)} Z` })) : null,
      dir.forearm ? h("g", null, h("line", { className: "arm-edge", x1: elbow[0], y1: elbow[1], x2: 0, y2: 0 }), h("line", { className: "arm-fill", x1: elbow[0], y1: elbow[1], x2: 0, y2: 0 })) : null,
      dir.hand ? h("line", { className: "hand-line", x1: 0, y1: 0, x2: knuckle[0], y2: knuckle[1] }) : null);
  };

  /* Cup and bow: a bent stick, fist on forearm, leaning left or right. */
  d.stick = function (side, x, y) {
    const s = side === "plus" ? 1 : -1;
    return h("g", { transform: `translate(${x},${y})`, className: "stick" },
      h("path", { d: `M0,6 L0,-1` }), h("path", { className: "stick-fist", d: `M0,-1 L${s * 3.4},-6` }));
  };
})();

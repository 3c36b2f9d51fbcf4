/* The picture: arm, hand and club in three dimensions at the cursor. Drag or arrow keys turn it. */
(function () {
  "use strict";
  const d = (window.dashboard = window.dashboard || {});
  const h = React.createElement;
  const W = 320, H = 300;

  /* Yaw and pitch of the eye. Seen from the front, the target is on the golfer's own lead side. */
  const VIEWS = { turn: [0.42, 0.2], front: [0, 0.0], behind: [Math.PI / 2, 0.0], above: [0, Math.PI / 2 - 1e-6] };

  function eye(yaw, pitch, mirrored) {
    const m = mirrored ? -1 : 1;
    /* From the front the target lies to the right for a right-handed golfer; `behind` looks along the
       target line for either. Right is horizontal, and right x up points at the eye. */
    const turn = m > 0 ? yaw : Math.PI - yaw;
    const right = [Math.cos(turn), -Math.sin(turn)];
    const ahead = [-right[1], right[0]];
    const up = [ahead[0] * Math.sin(pitch), ahead[1] * Math.sin(pitch), Math.cos(pitch)];
    return (p) => [p[0] * right[0] + p[1] * right[1], -(p[0] * up[0] + p[1] * up[1] + p[2] * up[2])];
  }

  const path = (points) => {
    let out = "", pen = false;
    points.forEach((p) => { if (!p) { pen = false; return; } out += (pen ? "L" : "M") + p[0].toFixed(1) + "," + p[1].toFixed(1); pen = true; });
    return out;
  };
  const plus = (a, b, r) => (a && b ? [a[0] + r * b[0], a[1] + r * b[1], a[2] + r * b[2]] : null);

  d.Picture = function ({ id }) {
    const cursor = d.useCursor();
    return cursor.figure ? h(Drawn, { id, figure: cursor.figure, cursor }) : h("section", { id, className: "card picture" });
  };

  function Drawn({ id, figure, cursor }) {
    const w = figure.words, pose = figure.pose, lever = d.useLever();
    const [view, setView] = React.useState("turn");
    const [turn, setTurn] = React.useState(VIEWS.turn);
    const drag = React.useRef(null);
    const k = Math.max(0, figure.events.findIndex((e) => e.key === cursor.event));
    const event = figure.events[k];
    const past = figure.numbers.find((r) => r.angle === "shaft_past_level").cells[k];
    const place = cursor.exact ? event.at + (past.value === null ? "" : `, ${past.sided}`) : `${d.number(figure.t[cursor.sample] || 0, 2)} s`;
    const choose = (v) => { setView(v); setTurn(VIEWS[v]); };

    const scene = React.useMemo(() => {
      if (!pose.samples) return null;
      const project = eye(turn[0], turn[1], pose.mirrored);
      const all = [pose.elbow, pose.wrist, pose.head].filter(Boolean).flatMap((l) => l).filter(Boolean);
      const ball = pose.head && pose.head.find(Boolean);
      const ground = ball ? ball[2] - 0.02 : Math.min(...all.map((p) => p[2])) - 0.2;
      const cells = [];
      if (ball) for (let i = -2; i <= 2; i++) {
        cells.push([[ball[0] - 0.5, ball[1] + i * 0.25, ground], [ball[0] + 0.5, ball[1] + i * 0.25, ground]]);
        cells.push([[ball[0] + i * 0.25, ball[1] - 0.5, ground], [ball[0] + i * 0.25, ball[1] + 0.5, ground]]);
      }
      const arrow = ball ? [[ball[0], ball[1], ground], [ball[0] + 0.62, ball[1], ground]] : null;
      const flat = all.concat(cells.flat(), arrow || []).map(project);
      const xs = flat.map((p) => p[0]), ys = flat.map((p) => p[1]);
      const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
      const scale = Math.min((W - 36) / Math.max(x1 - x0, 0.3), (H - 36) / Math.max(y1 - y0, 0.3));
      const to = (p) => { if (!p) return null; const q = project(p); return [W / 2 + (q[0] - (x0 + x1) / 2) * scale, H / 2 + (q[1] - (y0 + y1) / 2) * scale]; };
      return { to, cells: cells.map((c) => c.map(to)), arrow: arrow && arrow.map(to), heads: pose.head ? path(pose.head.map(to)) : "", hands: path((pose.knuckles || pose.wrist).map(to)) };
    }, [pose, turn]);

    const onMove = (e) => {
      if (!drag.current) return;
      const [x, y, yaw, pitch] = drag.current;
      setView("turn");
      setTurn([yaw + (e.clientX - x) / 120, Math.max(-0.3, Math.min(1.57, pitch + (e.clientY - y) / 120))]);
    };
    const keys = (e) => {
      const move = { ArrowLeft: [-0.15, 0], ArrowRight: [0.15, 0], ArrowUp: [0, 0.15], ArrowDown: [0, -0.15] }[e.key];
      if (!move) return;
      e.preventDefault();
      setView("turn");
      setTurn([turn[0] + move[0], Math.max(-0.3, Math.min(1.57, turn[1] + move[1]))]);
    };

    let drawn = null;
    if (scene) {
      const i = Math.min(cursor.sample, pose.samples - 1);
      const at = (list) => (list && list[i]) || null;
      const [elbow, wrist, knuckles, head] = [pose.elbow, pose.wrist, pose.knuckles || pose.wrist, pose.head].map((l) => scene.to(at(l)));
      const tip = at(pose.head);
      const s = tip ? [0, 1, 2].map((c) => (tip[c] - at(pose.knuckles || pose.wrist)[c]) / 0.95) : null;
      const toe = scene.to(plus(tip, at(pose.toe), 0.09)), heel = scene.to(plus(plus(tip, s, -0.07), at(pose.toe), 0.02));
      const flatS = s && Math.hypot(s[0], s[1]) > 0.2 ? [s[0] / Math.hypot(s[0], s[1]), s[1] / Math.hypot(s[0], s[1]), 0] : null;
      const hands3 = at(pose.knuckles || pose.wrist);
      const level = event.key === "top" && cursor.exact && flatS ? [scene.to(plus(hands3, flatS, -0.12)), scene.to(plus(hands3, flatS, 1.05))] : null;
      const seg = (a, b, cls, key) => (a && b ? h("line", { key, className: cls, x1: a[0], y1: a[1], x2: b[0], y2: b[1] }) : null);
      const ghost = d.leverGhost(lever, figure, cursor);
      const [hand, tipThen, toeThen] = ghost && ghost.head ? [scene.to(ghost.knuckles), scene.to(ghost.head), scene.to(plus(ghost.head, ghost.toe, 0.09))] : [];
      const arrowHead = scene.arrow ? (() => { const [a, b] = scene.arrow; const t = Math.atan2(b[1] - a[1], b[0] - a[0]); const e = (o) => `${(b[0] - 9 * Math.cos(t + o)).toFixed(1)},${(b[1] - 9 * Math.sin(t + o)).toFixed(1)}`; return Math.hypot(b[0] - a[0], b[1] - a[1]) > 8 ? `M${e(0.45)} L${b[0]},${b[1]} L${e(-0.45)}` : ""; })() : "";
      drawn = [
        ...scene.cells.map(([a, b], n) => seg(a, b, "ground", "g" + n)),
        scene.arrow ? seg(scene.arrow[0], scene.arrow[1], "to-target", "arrow") : null,
        h("path", { key: "arrowhead", className: "to-target", d: arrowHead }),
        scene.arrow ? h("text", { key: "target", className: "note mid halo", x: scene.arrow[1][0], y: scene.arrow[1][1] - 8 }, w.picture_target) : null,
        h("path", { key: "hands", className: "hand-path", d: scene.hands }),
        h("path", { key: "heads", className: "head-path", d: scene.heads }),
        ...figure.events.map((e, n) => { const p = e.sample === null || !pose.head ? null : scene.to(pose.head[e.sample]); return p ? h("circle", { key: "e" + n, className: "path-event" + (n === k ? " here" : ""), cx: p[0], cy: p[1], r: n === k ? 5 : 3.6 }) : null; }),
        level ? seg(level[0], level[1], "level-line", "lvl") : null,
        level && level[1] ? h("text", { key: "lvlt", className: "note halo " + (level[1][0] < W / 2 ? "" : "end"), x: level[1][0], y: level[1][1] - 6 }, w.picture_level) : null,
        seg(knuckles, head, "pic-shaft", "shaft"),
        head && toe && heel ? h("path", { key: "clubhead", className: "pic-head", d: `M${heel[0]},${heel[1]} L${head[0]},${head[1]} L${toe[0]},${toe[1]} Z` }) : null,
        elbow ? seg(elbow, wrist, "pic-arm-edge", "ae") : null, elbow ? seg(elbow, wrist, "pic-arm", "a") : null,
        hand ? h("g", { key: "ghost", className: "ghost" }, seg(wrist, hand, "", "gh"), seg(hand, tipThen, "", "gs"), toeThen ? seg(tipThen, toeThen, "", "gt") : null) : null,
        pose.knuckles ? seg(wrist, knuckles, "pic-hand", "hand") : h("circle", { key: "hand", className: "pic-dot", cx: wrist ? wrist[0] : -9, cy: wrist ? wrist[1] : -9, r: 6 }),
      ];
    }
    return h("section", { id, className: "card picture" },
      h("h2", { className: "card-title" }, w.picture_title, " ", h("span", { className: "aside" }, place)),
      scene ? h("div", { className: "pic-box", tabIndex: 0, role: "img", "aria-label": `${w.picture_label.replace("{place}", event.label)} ${w.picture_drag}`, onKeyDown: keys },
        h("svg", { viewBox: `0 0 ${W} ${H}`, "aria-hidden": true, onPointerDown: (e) => { e.currentTarget.setPointerCapture(e.pointerId); drag.current = [e.clientX, e.clientY, ...turn]; }, onPointerMove: onMove, onPointerUp: () => (drag.current = null), onPointerCancel: () => (drag.current = null) }, drawn)) : h("p", { className: "note" }, w.picture_none),
      scene ? h("div", { className: "segments", role: "group", "aria-label": w.picture_view }, Object.keys(VIEWS).map((v) => h("button", { key: v, type: "button", "aria-pressed": v === view, onClick: () => choose(v) }, w["picture_" + v]))) : null,
      h("p", { className: "note" }, pose.segments.includes("forearm") && pose.segments.includes("club") ? w.picture_note : w.picture_note_no_arm, lever.figure && lever.deg ? " " + lever.figure.words.dashed : ""));
  }
})();

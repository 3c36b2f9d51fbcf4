/* The lever: one joint turned at the cursor's event, the rest of the body held, and what becomes of
   face and shaft. The numbers come with the figure at a few sizes of turn; here they are read between. */
(function () {
  "use strict";
  const d = (window.dashboard = window.dashboard || {});
  const h = React.createElement;
  const THUMB = 48;

  /* What is turned and how far, for the whole page. A new swing stands as it was measured. */
  const listeners = new Set();
  let state = { figure: null, turn: null, deg: 0 };
  d.lever = {
    get: () => state,
    subscribe(f) { listeners.add(f); return () => listeners.delete(f); },
    set(next) { state = { ...state, ...next }; listeners.forEach((f) => f()); },
  };
  d.useLever = () => React.useSyncExternalStore(d.lever.subscribe, d.lever.get);

  /* A straight line between what was computed to the left and to the right of `deg`. */
  d.leverBetween = function (xs, ys, deg) {
    const k = Math.max(1, Math.min(xs.length - 1, xs.findIndex((x) => x >= deg)));
    return ys[k - 1] + ((ys[k] - ys[k - 1]) * (deg - xs[k - 1])) / (xs[k] - xs[k - 1]);
  };
  /* A point turned about an axis through `about`, by the right hand (Rodrigues). */
  d.leverTurn = function (p, about, axis, deg) {
    if (!p) return null;
    const t = (deg * Math.PI) / 180, c = Math.cos(t), s = Math.sin(t);
    const v = p.map((x, i) => x - about[i]), k = axis;
    const dot = (k[0] * v[0] + k[1] * v[1] + k[2] * v[2]) * (1 - c);
    const cross = [k[1] * v[2] - k[2] * v[1], k[2] * v[0] - k[0] * v[2], k[0] * v[1] - k[1] * v[0]];
    return v.map((x, i) => about[i] + x * c + cross[i] * s + k[i] * dot);
  };
  /* Hand and club of one sample as the lever would have them; null while it says nothing. */
  d.leverGhost = function (lever, figure, cursor) {
    if (!lever.figure || lever.figure.swing !== figure.swing || !lever.deg || !cursor.exact) return null;
    const place = lever.figure.events[cursor.event][lever.turn];
    const pose = figure.pose, at = (list) => (list && list[Math.min(cursor.sample, pose.samples - 1)]) || null;
    const wrist = pose.samples ? at(pose.wrist) : null;
    if (place.why || !wrist) return null;
    const turned = (p) => d.leverTurn(p, wrist, place.axis, lever.deg);
    return { elbow: at(pose.elbow), wrist, knuckles: turned(at(pose.knuckles)) || wrist, head: turned(at(pose.head)), toe: at(pose.toe) && d.leverTurn(at(pose.toe), [0, 0, 0], place.axis, lever.deg) };
  };

  const whole = (x) => { const n = Math.floor(Math.abs(x) + 0.5); return (x < 0 && n ? "−" : "") + n; };
  const fill = (text, fields) => text.replace(/\{(\w+)\}/g, (all, k) => (k in fields ? fields[k] : all));

  /* What the lever says at `deg`: a head, lines in words, and which of them go against the saying. */
  d.leverSays = function (figure, event, key, deg) {
    const place = figure.events[event][key], turn = figure.turns.find((t) => t.key === key), w = figure.words;
    const size = whole(Math.abs(deg)), side = deg > 0 ? 1 : 0;
    const lines = place.lines.map((line) => {
      const change = d.leverBetween(figure.turn_deg, line.change, deg), u95 = d.leverBetween(figure.doubt_deg, line.u95, deg);
      const sure = Math.abs(change) > u95 && Math.abs(change) >= 0.5;
      const n = fill(w.by, { n: whole(sure ? Math.abs(change) : change), u95: Math.max(1, Math.round(u95)) });
      const [text, after] = figure.does[line.angle][sure ? (change > 0 ? 1 : 0) : 2].split("{n}");
      return { angle: line.angle, change, u95, sure, before: text, n, after: after || "", contrary: sure && line.saying !== 0 && Math.sign(change) !== line.saying * Math.sign(deg) };
    });
    return { more: fill(turn.more[side], { n: size }), lines };
  };

  d.Lever = function (props) {
    const figure = React.useMemo(() => JSON.parse(props.figure), [props.figure]);
    const cursor = d.useCursor(), lever = d.useLever();
    const offered = (key) => Object.values(figure.events).some((e) => !e[key].why);
    React.useLayoutEffect(() => {
      const keep = lever.turn && offered(lever.turn) ? lever.turn : (figure.turns.find((t) => offered(t.key)) || figure.turns[0]).key;
      d.lever.set({ figure, turn: keep, deg: 0 });
    }, [figure]);
    const event = figure.events[cursor.event] ? cursor.event : "top";
    const key = lever.figure === figure ? lever.turn : figure.turns[0].key;
    const place = figure.events[event][key];
    const w = figure.words, at = figure.at[event];
    const said = place.why ? null : d.leverSays(figure, event, key, lever.deg);
    const text = place.why || (lever.deg ? `${said.more} ${fill(w.would, { at })} ${said.lines.map((l) => l.before + l.n + l.after).join("; ")}.` : "");
    const spoken = useCalm(text, 350);
    const any = figure.turns.some((t) => offered(t.key));
    const contrary = said ? said.lines.filter((l) => l.contrary) : [];
    return h("section", { id: props.id, className: "card lever no-print" },
      h("h2", { className: "card-title" }, w.title, " ", h("span", { className: "aside" }, w.question)),
      place.why ? h("p", { className: "note lever-why" }, place.why) : h(React.Fragment, null,
        h("div", { className: "lever-said" },
          h(Small, { figure: cursor.figure, cursor, lever, turn: key, place }),
          lever.deg ? h("div", null, h("p", { className: "lever-more" }, h("strong", null, said.more), " ", fill(w.would, { at })),
            h("ul", null, said.lines.map((l) => h("li", { key: l.angle, "data-angle": l.angle, "data-change": l.change.toFixed(3), "data-u95": l.u95.toFixed(3), className: l.sure ? "" : "unsure" }, l.before, h("strong", null, l.n), l.after))))
            : h("p", { className: "note" }, fill(w.rest, { at }))),
        contrary.length ? h("p", { className: "note lever-contrary" }, fill(w.contrary, { items: contrary.map((l) => (l.before + l.after).trim()).join(", "), arm: fill(w.by, { n: whole(place.arm[0]), u95: Math.max(1, Math.round(place.arm[1])) }) })) : null,
        h(Slide, { figure, place, turn: figure.turns.find((t) => t.key === key), deg: lever.deg, at })),
      any ? h("div", { className: "segments", role: "group", "aria-label": w.turns }, figure.turns.map((t) => h("button", { key: t.key, type: "button", "aria-pressed": t.key === key, onClick: () => d.lever.set({ turn: t.key, deg: 0 }) }, t.label))) : null,
      place.why ? null : h("p", { className: "note" }, w.held, " ", place.missed.join(" ")),
      h("p", { className: "unseen", "aria-live": "polite" }, spoken));
  };

  /* A text for the ear: what stood still for a while, so that a slide isn't read degree by degree. */
  function useCalm(text, ms) {
    const [calm, setCalm] = React.useState(text);
    React.useEffect(() => { const t = setTimeout(() => setCalm(text), ms); return () => clearTimeout(t); }, [text]);
    return calm;
  }

  /* The range itself is the browser's, laid unseen over the drawing: mouse, touch, keys and reader get the real thing. */
  function Slide({ figure, place, turn, deg, at }) {
    const w = figure.words, box = React.useRef(null), width = d.useWidth(box);
    const now = Math.round(place.now), low = now - figure.reach, high = now + figure.reach, value = now + deg;
    const x = (v) => THUMB / 2 + ((v - low) / (high - low)) * (width - THUMB);
    const size = whole(Math.abs(value)), side = turn.sides[value < 0 ? 0 : 1];
    const more = deg ? fill(turn.more[deg > 0 ? 1 : 0], { n: whole(Math.abs(deg)) }) : w.measured;
    const marks = (place.band || []).filter((m) => m > low && m < high);
    const ids = d.useId("lever");
    const inside = place.band ? [Math.max(low, place.band[0]), Math.min(high, place.band[1])] : null;
    const near = Math.abs(x(value) - x(now)) < 34;
    return h("div", { className: "lever-slide", ref: box },
      width ? h("svg", { width, height: 76, viewBox: `0 0 ${width} 76`, "aria-hidden": true },
        h("defs", null, h("pattern", { id: ids, width: 7, height: 7, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" }, h("line", { x1: 0, x2: 0, y1: 0, y2: 7, className: "hatch" }))),
        inside && inside[1] > inside[0] ? h("rect", { x: x(inside[0]), width: x(inside[1]) - x(inside[0]), y: 17, height: 18, style: { fill: `url(#${ids})` } }) : null,
        h("line", { className: "lever-line", x1: 8, x2: width - 8, y1: 26, y2: 26 }),
        marks.map((m) => h("line", { key: m, className: "lever-mark", x1: x(m), x2: x(m), y1: 14, y2: 38 })),
        deg ? h("line", { className: "lever-way", x1: x(now), x2: x(value), y1: 26, y2: 26 }) : null,
        h("rect", { className: "lever-now", x: x(now) - 4, y: 13, width: 8, height: 26, rx: 2 }),
        h("circle", { className: "lever-thumb", cx: x(value), cy: 26, r: 20 }),
        h("path", { className: "lever-arrows", d: `M${x(value) - 4},19 l-7,7 l7,7 M${x(value) + 4},19 l7,7 l-7,7` }),
        h("text", { className: "note", x: 0, y: 68 }, turn.sides[0]),
        h("text", { className: "note end", x: width, y: 68 }, turn.sides[1]),
        deg && near ? null : h("text", { className: "lever-number now mid halo", x: Math.max(90, Math.min(width - 70, x(now))), y: 68 }, whole(now)),
        deg ? h("text", { className: "lever-number then mid halo", x: Math.max(80, Math.min(width - 76, x(value))), y: 68 }, whole(value)) : null) : null,
      h("input", { type: "range", min: low, max: high, step: 1, value, "aria-label": fill(w.slider, { turn: turn.label, at }), "aria-valuetext": fill(w.spoken, { size, side, more }), onChange: (e) => d.lever.set({ deg: Number(e.target.value) - now }) }),
      h("button", { type: "button", className: "quiet", disabled: !deg, onClick: () => d.lever.set({ deg: 0 }) }, w.back));
  }

  /* The wrist from the thumb side, or arm and club from the front; dashed as the lever would have it. */
  function Small({ figure, cursor, lever, turn, place }) {
    if (!figure) return null;
    if (turn === "wrist_flexion") {
      return h("svg", { viewBox: "-34 -44 68 78", width: 112, height: 128, "aria-hidden": true }, d.wristShape(place.now, 0, 0, 1), lever.deg ? d.wristGhost(place.now + lever.deg) : null);
    }
    const ghost = d.leverGhost(lever, figure, cursor);
    const pose = figure.pose, i = Math.min(cursor.sample, pose.samples - 1);
    if (!pose.samples || !pose.head) return null;
    const at = (list) => (list && list[i]) || null, m = pose.mirrored ? -1 : 1, flat = (p) => [p[0] * m, -p[2]];
    const body = { elbow: at(pose.elbow), wrist: at(pose.wrist), knuckles: at(pose.knuckles) || at(pose.wrist), head: at(pose.head), toe: at(pose.toe) };
    if (!body.head || !body.elbow) return null;
    const short = (b) => { const to = (p, k) => b.wrist.map((c, n) => c + (p[n] - c) * k); const toe = to(b.head, 0.45).map((c, n) => c + 0.09 * b.toe[n]); return [b.elbow, b.wrist, b.knuckles, to(b.head, 0.45), toe].map(flat); };
    const all = [short(body), ghost && ghost.head ? short(ghost) : null].filter(Boolean);
    const xs = all.flat().map((p) => p[0]), ys = all.flat().map((p) => p[1]);
    const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
    const scale = Math.min(84 / Math.max(x1 - x0, 0.1), 104 / Math.max(y1 - y0, 0.1));
    const place2 = (p) => [56 + (p[0] - (x0 + x1) / 2) * scale, 64 + (p[1] - (y0 + y1) / 2) * scale];
    const draw = (points, cls) => { const q = points.map(place2), line = (a, b, c) => h("line", { className: c, x1: q[a][0], y1: q[a][1], x2: q[b][0], y2: q[b][1] });
      return cls ? h("g", { className: "ghost" }, line(1, 2), line(2, 3), line(3, 4)) : h("g", { className: "arm-figure" }, line(2, 3, "shaft"), line(3, 4, "shaft toe"), line(0, 1, "arm-edge"), line(0, 1, "arm-fill"), line(1, 2, "hand-line")); };
    return h("svg", { viewBox: "0 0 112 128", width: 112, height: 128, "aria-hidden": true }, draw(all[0]), all[1] ? draw(all[1], "ghost") : null);
  }

  d.wristGhost = (turn) => h("g", { className: "ghost", transform: `rotate(${turn})` },
    h("line", { x1: 1, y1: -14, x2: 1, y2: -38 }),
    h("path", { d: "M-6.4,3 L-8.4,-13 Q-9,-19 -4.5,-21.5 Q-1.5,-23.5 2,-22 Q6,-22.5 7.6,-19 Q10,-16 9,-11 L6.6,3.4 Q0,5.6 -6.4,3 Z" }));
})();

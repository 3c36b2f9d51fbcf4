/* Bringing files in: they go to the server one by one, and what it understood of them is shown,
   with menus to correct it. What is chosen here is kept here and there, so that no answer of the
   server and no reload undoes it. */
(function () {
  "use strict";
  const d = (window.dashboard = window.dashboard || {});
  const h = React.createElement;
  const fill = (text, fields) => text.replace(/\{(\w+)\}/g, (all, k) => (k in fields ? fields[k] : all));

  /* Three digits, the thousands apart. */
  const large = (v) => new Intl.NumberFormat(document.documentElement.lang || "en", { maximumSignificantDigits: 3 }).formatToParts(v).map((p) => (p.type === "group" ? "\u202f" : p.value)).join("");

  const field = (label, control, cls) => h("label", { className: "field " + (cls || "") }, h("span", null, label), control);
  const menu = (value, options, onChange, props) =>
    h("select", { value, onChange: (e) => onChange(e.target.value), ...(props || {}) }, options.map(([v, t]) => h("option", { key: v, value: v }, t)));

  /* A field that asks the server when it is left or Enter is pressed, not at every letter. */
  function Typed({ value, onDone, ...props }) {
    const [text, setText] = React.useState(value);
    React.useEffect(() => setText(value), [value]);
    const done = () => { if (text !== value) onDone(text); };
    return h("input", { ...props, value: text, autoComplete: "off", onChange: (e) => setText(e.target.value), onBlur: done, onKeyDown: (e) => { if (e.key === "Enter") { e.preventDefault(); done(); } } });
  }

  /* -- files on their way ------------------------------------------------------------------------ */

  /* Files of a drop, folders walked through; what begins with a dot is no recording's. */
  async function dropped(transfer) {
    const entries = [...transfer.items].map((i) => i.webkitGetAsEntry && i.webkitGetAsEntry()).filter(Boolean);
    if (!entries.some((e) => e.isDirectory)) return [...transfer.files];
    const files = [];
    const walk = async (entry) => {
      if (entry.name.startsWith(".") || files.length > 1000) return;
      if (entry.isFile) {
        const file = await new Promise((done, fail) => entry.file(done, fail));
        file.within = entry.fullPath.slice(1);
        files.push(file);
        return;
      }
      const reader = entry.createReader();
      for (;;) {
        const some = await new Promise((done, fail) => reader.readEntries(done, fail));
        if (!some.length) return;
        for (const inner of some) await walk(inner);
      }
    };
    for (const entry of entries) await walk(entry);
    return files;
  }

  /* What each file is called within its recording: the folder of the manifest is the recording's own, else
     the folder that is around all of them. Null where there are several recordings. */
  function places(files) {
    const names = files.map((f) => f.within || f.webkitRelativePath || f.name);
    const manifests = names.filter((n) => n.split("/").pop() === "recording.toml");
    if (manifests.length > 1) return null;
    const folder = (n) => n.slice(0, n.lastIndexOf("/") + 1);
    const around = names.map(folder).reduce((a, b) => { while (!b.startsWith(a)) a = folder(a.slice(0, -1)); return a; });
    const own = manifests.length ? folder(manifests[0]) : around;
    return names.map((n) => n.slice(n.startsWith(own) ? own.length : around.length));
  }

  async function begin() {
    const found = await (await fetch("/uploads", { method: "POST" })).json();
    if (found.fault) throw new Error(found.fault);
    return found.key;
  }

  /* One file; XMLHttpRequest, since it tells how much of it has gone. */
  const put = (key, file, place, words, onShare) => new Promise((done, fail) => {
    const ask = new XMLHttpRequest();
    const broken = () => fail(new Error(fill(words.stopped, { name: file.name })));
    ask.open("PUT", `/uploads/${key}?name=${encodeURIComponent(place)}`);
    ask.setRequestHeader("Content-Type", "application/octet-stream");
    ask.upload.onprogress = (e) => e.lengthComputable && onShare(e.loaded / Math.max(1, e.total));
    ask.onerror = ask.onabort = broken;
    ask.onload = () => {
      let found = {};
      try { found = JSON.parse(ask.responseText); } catch { return broken(); }
      return found.fault ? fail(new Error(found.fault)) : done(found.name);
    };
    ask.send(file);
  });

  const Bar = ({ label, percent }) => h("div", { className: "waiting" }, h("p", { className: "note", role: "status" }, label),
    h("div", { className: "progress", role: "progressbar", "aria-label": label, "aria-valuemin": 0, "aria-valuemax": 100, "aria-valuenow": percent }, h("div", { style: { width: percent + "%" } })));

  const Fault = ({ what, where, todo }) => h("section", { className: "fault", role: "alert" }, h("h2", null, what), where ? h("p", { className: "fault-where" }, where) : null, h("p", null, todo));

  /* -- what was read ----------------------------------------------------------------------------- */

  function nice(top) {
    const unit = 10 ** Math.floor(Math.log10(top || 1));
    return [1, 2, 2.5, 5, 10].map((k) => k * unit).find((v) => v >= top) || 10 * unit;
  }

  /* A line broken where the sensor was silent. */
  function path(t, y, x, up) {
    const step = t.length > 1 ? (t[t.length - 1] - t[0]) / (t.length - 1) : 0;
    return t.map((s, k) => `${k && s - t[k - 1] < Math.max(0.3, 8 * step) ? "L" : "M"}${x(s).toFixed(1)},${up(y[k]).toFixed(1)}`).join("");
  }

  function Plot({ sensor, span, words, moments }) {
    const box = React.useRef(null);
    const width = d.useWidth(box);
    const { t, accel, gyro, known, gravity } = sensor.plot;
    const left = 46, right = 10, top = 32, tall = 78, gap = 42;
    const height = top + 2 * tall + gap + 26;
    const x = (s) => left + ((s - span[0]) / Math.max(1e-9, span[1] - span[0])) * (width - left - right);
    const most = (y) => y.reduce((a, b) => Math.max(a, b), 0);
    const panel = (name, y, y0, line) => {
      const end = nice(most(y) * 1.02);
      const up = (v) => y0 + tall - (v / end) * tall;
      return h("g", { key: name },
        h("text", { x: 0, y: y0 - 15, className: "panel-small" }, name),
        [0, end / 2, end].map((v) => h("g", { key: v }, h("line", { className: "grid", x1: left, x2: width - right, y1: up(v), y2: up(v) }),
          h("text", { x: left - 6, y: up(v) + 4.5, className: "tick end" }, large(v)))),
        line ? h("line", { className: "zero", x1: left, x2: width - right, y1: up(9.81), y2: up(9.81) }) : null,
        h("path", { className: "seen", d: path(t, y, x, up) }),
        line && (9.81 / end) * tall > 14 ? h("text", { x: width - right, y: up(9.81) - 5, className: "tick end halo" }, words.plot_gravity) : null);
    };
    const second = top + tall + gap;
    const seconds = nice((span[1] - span[0]) / Math.max(2, Math.floor(width / 64)));
    const ticks = [];
    for (let s = Math.ceil(span[0] / seconds) * seconds; s <= span[1]; s += seconds) ticks.push(s);
    const middle = (m) => (x(m.at[0]) + x(m.at[1])) / 2;
    let last = -Infinity;
    const room = (m, k) => { if (middle(m) - last < (k < 9 ? 11 : 19)) return false; last = middle(m); return true; };
    const label = fill(known[0] && known[1] ? words.plot_label : words.plot_label_raw, { label: sensor.label, accel: d.number(most(accel), 0), gyro: d.number(most(gyro), 0), s: t.length ? d.number(t[t.length - 1] - t[0], 1) : 0 });
    return h("div", { ref: box, className: "plot" }, width ? h("svg", { width, height, role: "img", "aria-label": label },
      moments.map((m, k) => h("g", { key: m.key }, h("rect", { className: "moment" + (m.pose ? " posed" : ""), x: x(m.at[0]), width: Math.max(2, x(m.at[1]) - x(m.at[0])), y: top - 4, height: second + tall - top + 4 }),
        room(m, k) ? h("text", { className: "tick mid", x: middle(m), y: top + tall + 13 }, k + 1) : null)),
      panel(known[0] ? words.plot_accel : words.plot_accel_raw, accel, top, gravity),
      panel(known[1] ? words.plot_gyro : words.plot_gyro_raw, gyro, second, false),
      ticks.map((s) => h("text", { key: s, x: x(s), y: second + tall + 19, className: "tick mid" }, fill(words.plot_second, { n: d.number(s, 3, true) })))) : null);
  }

  /* Menus for how a file is written; what is left at "as read" is worked out. */
  function Written({ name, said, onSay, figure, units, counts, rate, sensitivity, columns }) {
    const w = figure.words;
    const hint = said[name] || {};
    const say = (k, v) => { const next = { ...hint, [k]: v }; if (v === "" || v === null) delete next[k]; onSay(name, next); };
    const unit = (k) => field(w[k], menu(hint[k] || "", [["", units[k] ? fill(w.found, { unit: units[k] }) : w.found_none], ...figure.options[k]], (v) => say(k, v)));
    const number = (k, placeholder) => field(w[k], h(Typed, { type: "text", inputMode: "decimal", className: "short", value: hint[k] === undefined ? "" : String(hint[k]), placeholder: placeholder ? String(Number(placeholder.toPrecision(6))) : "", onDone: (v) => say(k, v.trim()) }));
    const accelCounts = hint.accel_unit === "counts" || (counts.accel && !hint.accel_unit), gyroCounts = hint.gyro_unit === "counts" || (counts.gyro && !hint.gyro_unit);
    return h("div", { className: "written" },
      unit("accel_unit"), accelCounts ? number("accel_sensitivity", sensitivity.accel) : null,
      unit("gyro_unit"), gyroCounts ? number("gyro_sensitivity", sensitivity.gyro) : null,
      unit("time_unit"), rate !== undefined ? number("rate_hz", rate) : null,
      columns ? h("fieldset", null, h("legend", null, w.columns), ["t", "ax", "ay", "az", "gx", "gy", "gz"].map((k) => h("div", { key: k }, field(w["column_" + k],
        h(Typed, { type: "text", className: "short", value: (hint.columns || {})[k] || "", maxLength: 200, onDone: (v) => { const next = { ...(hint.columns || {}), [k]: v.trim() }; if (!v.trim()) delete next[k]; say("columns", Object.keys(next).length ? next : null); } }))))) : null);
  }

  function Sensor({ sensor, span, figure, said, onSay, onRole, moments }) {
    const w = figure.words;
    const options = [["", w.role_none], ["forearm", w.role_forearm], ["hand", w.role_hand], ["club", w.role_club], ["none", w.role_left_out]];
    const role = (said.roles || {})[sensor.key] || sensor.role;
    const hint = sensor.looks_like && role !== sensor.looks_like && role !== "none";
    const all = (name, next) => sensor.files.reduce((files, f) => ({ ...files, [f]: next }), {});
    return h("section", { className: "card sensor" + (role === "none" ? " unused" : "") },
      h("div", { className: "sensor-head" }, h("h2", { className: "card-title" }, sensor.label), h("span", { className: "aside" }, sensor.source)),
      h("div", { className: "sensor-body" },
        h("div", { className: "sensor-said" },
          field(w.role, menu(role, options, (v) => onRole(sensor.key, v), { "aria-label": `${w.role}: ${sensor.label}` })),
          hint ? h("p", { className: "row note" }, fill(w.looks_like, { role: w["role_" + sensor.looks_like] }),
            h("button", { type: "button", className: "quiet", onClick: () => onRole(sensor.key, sensor.looks_like) }, fill(w.take_role, { role: w["role_" + sensor.looks_like] }))) : null,
          h(Written, { name: sensor.files[0], said: said.files || {}, onSay: (name, next) => onSay(all(name, next)), figure, units: sensor.units, counts: sensor.counts, sensitivity: sensor.sensitivity, rate: sensor.rate_hz === null ? undefined : sensor.rate_hz }),
          sensor.siblings > 1 ? h("p", { className: "note" }, fill(w.same_file, { n: sensor.siblings })) : null),
        h("div", { className: "sensor-read" },
          h(Plot, { sensor, span, words: w, moments }),
          h("dl", { className: "facts" }, sensor.facts.map(([k, v]) => h("div", { key: k }, h("dt", null, k), h("dd", null, v)))),
          sensor.doubts.length ? h("div", null, h("h3", { className: "sub-title" }, w.doubts), h("ul", { className: "warnings" }, sensor.doubts.map((t) => h("li", { key: t }, t)))) : null,
          h("details", { className: "fold why" }, h("summary", null, h("h3", { className: "sub-title" }, w.why)), h("ul", { className: "unknown" }, sensor.why.map((t) => h("li", { key: t }, t)))))));
  }

  /* Still moments, of which who was there says which poses they were. */
  function Poses({ figure, said, onSay }) {
    const w = figure.poses.words, moments = figure.poses.moments;
    if (figure.poses.marked.length) return h("section", { className: "card poses" }, h("h2", { className: "card-title" }, w.title), h("p", null, w.marked), h("ul", { className: "unknown" }, figure.poses.marked.map((t) => h("li", { key: t }, t))));
    if (!moments.length) return figure.poses.looking ? h("section", { className: "card poses" }, h("h2", { className: "card-title" }, w.title), h("p", { className: "note", role: "status" }, w.looking)) : null;
    return h("section", { className: "card poses" }, h("h2", { className: "card-title" }, w.title), h("p", null, w.about), h("p", { className: "note" }, w.caution),
      h("div", { className: "moments" }, moments.map((m) => field(m.label, menu(said[m.key] === undefined ? m.said : said[m.key], m.options, (v) => onSay({ ...said, [m.key]: v })), "moment-field"))));
  }

  /* -- the page ---------------------------------------------------------------------------------- */

  d.AddFiles = function (props) {
    const { id, setProps } = props;
    const figure = React.useMemo(() => JSON.parse(props.figure), [props.figure]);
    const w = figure.words;
    const [said, setSaid] = React.useState(figure.said || {});
    const [name, setName] = React.useState(null);
    const [coming, setComing] = React.useState(null);
    const [broken, setBroken] = React.useState("");
    const [over, setOver] = React.useState(false);
    const [saving, setSaving] = React.useState(false);
    const [sure, setSure] = React.useState("");
    const asks = React.useRef(props.asks || 0);
    const key = React.useRef(figure.key);
    const latest = React.useRef(said);
    const ask = (what) => { asks.current += 1; setProps({ ask: { ...what, at: performance.timeOrigin + performance.now() }, asks: asks.current }); };
    const note = (k) => { key.current = k; d.link.note({ upload: k || null }); };

    React.useEffect(() => {
      if (figure.saved) { key.current = ""; d.link.go(figure.saved); return; }
      if (figure.key !== key.current && figure.key) note(figure.key);
      if (!figure.key && key.current && !coming) { note(""); latest.current = {}; setSaid({}); setName(null); }
    }, [figure]);

    const say = (part) => {
      latest.current = { ...latest.current, ...part };
      setSaid(latest.current);
      setBroken("");
      if (key.current) ask({ look: key.current, said: latest.current });
    };
    const bring = async (files) => {
      if (!files.length || coming) return;
      setBroken("");
      const here = figure.files ? figure.files.length : 0;
      if (here + files.length > figure.limit.files) return setBroken(fill(w.too_many, { files: figure.limit.files }));
      const large = files.find((f) => f.size > figure.limit.bytes);
      if (large) return setBroken(fill(w.too_large, { name: large.name, size: figure.limit.size }));
      const within = places(files);
      if (!within) return setBroken(w.several);
      const total = files.reduce((n, f) => n + f.size, 0) || 1;
      let gone = 0, wrong = "";
      try {
        if (!key.current) note(await begin());
        for (const [k, file] of files.entries()) {
          setComing({ name: file.name, percent: Math.round((100 * gone) / total) });
          await put(key.current, file, within[k], w, (share) => setComing({ name: file.name, percent: Math.round((100 * (gone + share * file.size)) / total) }));
          gone += file.size;
        }
      } catch (error) { wrong = error.message; }
      setComing(null);
      setBroken(wrong);
      if (key.current) ask({ look: key.current, said: latest.current });
      return undefined;
    };
    /* By a route of its own: of answers to the page's questions only the last is heard. */
    const save = async (as) => {
      setSaving(true);
      setBroken("");
      try {
        const body = JSON.stringify({ said: latest.current, name: as, at: performance.timeOrigin + performance.now() });
        const found = await (await fetch(`/uploads/${key.current}/save`, { method: "POST", headers: { "Content-Type": "application/json" }, body })).json();
        if (found.saved) { key.current = ""; d.link.go(found.saved); return; }
        setBroken(found.fault);
      } catch (error) { setBroken(String(error)); }
      setSaving(false);
    };
    const drop = { onDragOver: (e) => { e.preventDefault(); setOver(true); }, onDragLeave: (e) => { if (!e.currentTarget.contains(e.relatedTarget)) setOver(false); },
      onDrop: (e) => { e.preventDefault(); setOver(false); dropped(e.dataTransfer).then(bring, (error) => setBroken(String(error))); } };
    const chooser = (text, cls) => h("label", { className: "button choose " + cls }, text,
      h("input", { type: "file", multiple: true, className: "unseen", disabled: !!coming, onChange: (e) => { const files = [...e.target.files]; e.target.value = ""; bring(files); } }));
    const discard = (k, text) => sure === k ? h("button", { type: "button", key: "sure", onClick: () => { setSure(""); ask({ discard: k }); } }, w.discard_sure)
      : h("button", { type: "button", key: "ask", onClick: () => setSure(k) }, text);
    const bar = coming ? h(Bar, { label: fill(w.uploading, { name: coming.name }), percent: coming.percent }) : null;
    const fault = broken || figure.fault
      ? h(Fault, { what: figure.unread && !broken ? w.unread : w.failed, where: broken || figure.fault, todo: figure.unread && !broken ? w.unread_do : w.failed_do }) : null;

    if (!figure.key || !(figure.files || []).length) {
      return h("div", { id, className: "add", ...drop },
        h("h1", { className: "say" }, w.empty),
        figure.gone ? h(Fault, { what: w.gone, where: figure.gone, todo: w.gone_do }) : null,
        broken ? h(Fault, { what: w.failed, where: broken, todo: w.gone_do }) : null,
        h("section", { className: "card drop" + (over ? " over" : "") }, bar || [
          h("p", { key: "drop", className: "drop-here" }, w.drop), h("div", { key: "choose" }, chooser(w.choose, "strong")),
          h("p", { key: "limit", className: "note" }, figure.limit.text)]),
        h("p", { className: "note" }, w.empty_also),
        (figure.waiting || []).length ? h("section", { className: "card" }, h("h2", { className: "card-title" }, w.waiting),
          h("ul", { className: "uploads" }, figure.waiting.map((u) => h("li", { key: u.key }, h("span", null, u.text),
            h("a", { className: "button", href: "/add?upload=" + u.key, "data-go": "" }, w.waiting_open, h("span", { className: "unseen" }, " " + u.text)), discard(u.key, w.discard))))) : null);
    }

    const sensors = figure.sensors;
    const spans = sensors.filter((s) => s.plot.t.length).map((s) => [s.plot.t[0], s.plot.t[s.plot.t.length - 1]]);
    const span = spans.length ? [Math.min(...spans.map((s) => s[0])), Math.max(...spans.map((s) => s[1]))] : [0, 1];
    const files = said.files || {};
    const posed = said.poses || {};
    const moments = figure.poses.moments.map((m) => ({ ...m, pose: posed[m.key] === undefined ? m.said : posed[m.key] }));
    const handed = said.handed || figure.handed;
    const wanted = name === null ? figure.name : name;
    const ready = !figure.busy && !figure.missing.length && sensors.length && !coming && !saving && wanted.trim();
    return h("div", { id, className: "add", ...drop },
      h("h1", { className: "say" }, figure.sentence),
      fault,
      h("section", { className: "card files" + (over ? " over" : ""), "aria-label": w.files },
        h("ul", { className: "chips" }, figure.files.map((f) => h("li", { key: f.name }, h("span", { className: "chip-name" }, f.name), h("span", { className: "aside" }, f.size),
          h("button", { type: "button", "aria-label": fill(w.remove, { name: f.name }), onClick: () => ask({ remove: key.current, file: f.name, said: latest.current }) },
            h("svg", { width: 14, height: 14, viewBox: "0 0 14 14", "aria-hidden": true }, h("path", { d: "M2 2 L12 12 M12 2 L2 12" })))))),
        h("div", { className: "row" }, chooser(w.more, ""), discard(key.current, w.over)),
        (figure.notes || []).length ? h("ul", { className: "warnings" }, figure.notes.map((t) => h("li", { key: t }, t))) : null,
        bar || (figure.busy ? h(Bar, { label: w.reading, percent: figure.done }) : null)),
      sensors.map((s) => h(Sensor, { key: s.key, sensor: s, span, figure, said, moments, onRole: (k, v) => say({ roles: { ...(said.roles || {}), [k]: v } }), onSay: (some) => say({ files: { ...files, ...some } }) })),
      sensors.length ? h(Poses, { figure, said: said.poses || {}, onSay: (poses) => say({ poses }) }) : null,
      figure.unused.length ? h("details", { className: "card fold", open: !sensors.length }, h("summary", null, h("h2", { className: "card-title" }, w.answer)),
        h("p", { className: "note" }, w.answer_none),
        figure.unused.map((f) => h("section", { key: f, className: "unused-file" }, h("h3", { className: "sub-title" }, f),
          h(Written, { name: f, said: files, onSay: (file, next) => say({ files: { ...files, [file]: next } }), figure, units: {}, counts: {}, sensitivity: {}, rate: null, columns: true })))) : null,
      sensors.length ? h("section", { className: "card" }, h("h2", { className: "card-title" }, w.recording),
        h("form", { className: "filters", onSubmit: (e) => { e.preventDefault(); if (ready) save(wanted); } },
          h("div", { className: "field", role: "group", "aria-label": w.hand }, h("span", null, w.hand), h("div", { className: "segments" }, ["left", "right"].map((k) =>
            h("button", { key: k, type: "button", "aria-pressed": handed === k ? "true" : "false", onClick: () => say({ handed: k }) }, w[k])))),
          field(w.club, h(Typed, { type: "text", value: said.club === undefined ? figure.club : said.club, maxLength: 60, onDone: (v) => say({ club: v }) })),
          field(w.name, h("input", { type: "text", value: wanted, maxLength: 100, autoComplete: "off", onChange: (e) => setName(e.target.value) }), "grow"),
          h("button", { type: "submit", className: "strong", disabled: !ready }, saving ? w.saving : w.save)),
        figure.missing.length ? h("p", { className: "missing", role: "status" }, fill(w.needed, { list: figure.missing.join("; ") })) : null,
        h("p", { className: "note" }, figure.place),
        figure.manifest ? h("details", { className: "fold" }, h("summary", null, h("h3", { className: "sub-title" }, w.manifest)), h("pre", { className: "manifest", tabIndex: 0 }, figure.manifest)) : null) : null);
  };
})();

/* The library's pages: lists that search at once, and the lesson with its one-tap corrections.
   Each `asks` more, `ask` holds what is wanted; the server answers with a new figure. */
(function () {
  "use strict";
  const d = (window.dashboard = window.dashboard || {});
  const h = React.createElement;
  const fold = (text) => text.normalize("NFKD").replace(/[\u0300-\u036f]/g, "").toLowerCase();
  const fits = (query, text) => {
    const words = fold(text).split(/[\s-]+/);
    return fold(query).split(/[\s-]+/).every((asked) => words.some((word) => word.startsWith(asked)));
  };

  const field = (label, input, cls) => h("label", { className: "field " + (cls || "") }, h("span", null, label), input);
  const select = (value, options, onChange, props) =>
    h("select", { value, onChange: (e) => onChange(e.target.value), ...(props || {}) }, options.map(([v, t]) => h("option", { key: v, value: v }, t)));
  const segments = (label, value, options, onChange) =>
    h("div", { className: "segments", role: "group", "aria-label": label }, options.map(([v, t]) =>
      h("button", { key: v, type: "button", "aria-pressed": v === value ? "true" : "false", onClick: () => onChange(v) }, t)));

  d.Students = function ({ id, figure, setProps, asks }) {
    const w = figure.words;
    const [query, setQuery] = React.useState("");
    const [name, setName] = React.useState("");
    const [hand, setHand] = React.useState("right");
    const lines = figure.students.filter((s) => !query.trim() || fits(query.trim(), s.text));
    const add = (e) => {
      e.preventDefault();
      if (name.trim()) { setProps({ ask: { add: name, hand }, asks: (asks || 0) + 1 }); setName(""); }
    };
    return h("div", { id, className: "library" },
      figure.students.length ? h("section", { className: "card" },
        h("div", { className: "filters" },
          field(w.search, h("input", { type: "search", value: query, autoComplete: "off", onChange: (e) => setQuery(e.target.value) }), "grow"),
          h("p", { className: "note", role: "status" }, (lines.length === 1 ? w["found.one"] : w["found.many"]).replace("{n}", lines.length))),
        h("table", { className: "lines" }, h("caption", { className: "unseen" }, w.page),
          h("thead", null, h("tr", null, [w.name, w.hand, w.lessons, w.practices, w.swings, w.last].map((t, i) => h("th", { key: t, scope: "col", className: i > 1 && i < 5 ? "count" : "" }, t)))),
          h("tbody", null, lines.slice(0, 400).map((s) => h("tr", { key: s.id },
            h("th", { scope: "row" }, h("a", { href: s.href, "data-go": "" }, s.name), s.minor ? h("span", { className: "aside warn" }, w.consent) : null),
            h("td", { "data-label": w.hand }, s.hand),
            h("td", { className: "count", "data-label": w.lessons }, s.lessons),
            h("td", { className: "count", "data-label": w.practices }, s.practices),
            h("td", { className: "count", "data-label": w.swings }, s.swings),
            h("td", { "data-label": w.last }, s.last)))))) : null,
      h("section", { className: "card no-print" }, h("h2", { className: "card-title" }, w.add),
        h("form", { className: "filters", onSubmit: add },
          field(w.add_name, h("input", { type: "text", value: name, maxLength: 200, autoComplete: "off", onChange: (e) => setName(e.target.value) }), "grow"),
          field(w.add_hand, select(hand, [["right", w.right], ["left", w.left]], setHand)),
          h("button", { type: "submit", className: "strong", disabled: !name.trim() }, w.add_do))));
  };

  /* The reading of a swing: level, number, doubt. */
  const reading = (s) => (s.text === null ? h("span", { className: "note" }, s.reason || "—")
    : h("span", { className: "reading" }, s.level ? h(d.Level, { level: s.level, width: 54, height: 14, label: s.spoken }) : null,
      h("span", { className: "number" }, s.text + "°"), h("span", { className: "doubt" }, s.doubt)));
  const swingLink = (s) => (s.href ? h("a", { href: s.href, className: s.out === null ? "" : "struck" }, s.n) : h("span", { className: s.out === null ? "" : "struck" }, s.n));

  d.Student = function ({ id, figure, setProps, asks }) {
    const w = figure.words;
    const [wanted, setWanted] = React.useState({ text: "", club: "", kind: "", counted: "", limit: figure.step });
    const first = React.useRef(true);
    React.useEffect(() => {
      if (first.current) { first.current = false; return; }
      setProps({ ask: { filter: wanted }, asks: (asks || 0) + 1 });
    }, [wanted]);
    const change = (part) => setWanted({ ...wanted, limit: figure.step, ...part });
    return h("div", { id, className: "library" },
      h("section", { className: "card" }, h("h2", { className: "card-title" }, w.lessons_title),
        h("table", { className: "lines" }, h("caption", { className: "unseen" }, w.lessons_title),
          h("thead", null, h("tr", null, [w.day, w.kind, w.club, w.swings, w.left_out, w.thought].map((t, i) => h("th", { key: t, scope: "col", className: i === 3 || i === 4 ? "count" : "" }, t)))),
          h("tbody", null, figure.lessons.map((x) => h("tr", { key: x.id },
            h("th", { scope: "row" }, h("a", { href: x.href, "data-go": "" }, x.day)),
            h("td", { "data-label": w.kind }, x.kind), h("td", { "data-label": w.club }, x.clubs),
            h("td", { className: "count", "data-label": w.swings }, x.swings), h("td", { className: "count", "data-label": w.left_out }, x.left_out),
            h("td", { className: "wide-cell" }, x.thought)))))),
      h("section", { className: "card" }, h("h2", { className: "card-title" }, w.swings_title),
        h("div", { className: "filters no-print" },
          field(w.search, h("input", { type: "search", value: wanted.text, autoComplete: "off", onChange: (e) => change({ text: e.target.value }) }), "grow"),
          field(w.club, select(wanted.club, [["", w.all_clubs], ...figure.clubs.map((c) => [c, c])], (v) => change({ club: v }))),
          field(w.kind, select(wanted.kind, [["", w.all_kinds], ...figure.kinds], (v) => change({ kind: v }))),
          segments(w.left_out, wanted.counted, [["", w.everything], ["yes", w.counted], ["no", w.only_out]], (v) => change({ counted: v }))),
        h("p", { className: "note", role: "status", "data-count": figure.count, "data-echo": JSON.stringify(figure.wanted) }, w.shown.replace("{shown}", figure.swings.length).replace("{n}", figure.count)),
        figure.swings.length ? h("table", { className: "lines swings" }, h("caption", { className: "unseen" }, w.swings_title),
          h("thead", null, h("tr", null, [w.day, w.swing, w.club, w.kind, w.wrist, w.ball, w.thought].map((t) => h("th", { key: t, scope: "col" }, t)))),
          h("tbody", null, figure.swings.map((s) => h("tr", { key: s.id },
            h("td", null, s.day), h("th", { scope: "row", "data-label": w.swing }, swingLink(s)), h("td", { "data-label": w.club }, s.club), h("td", { "data-label": w.kind }, s.kind),
            h("td", { "data-label": w.wrist }, reading(s)), h("td", { "data-label": w.ball }, s.ball),
            h("td", { className: "wide-cell" }, s.out === null ? s.thought : h("em", null, w.left_out + ": " + s.out)))))) : h("p", null, w.none_fits),
        figure.swings.length < figure.count ? h("button", { type: "button", className: "no-print", onClick: () => setWanted({ ...wanted, limit: wanted.limit + 200 }) }, w.more) : null));
  };

  function Wrong({ recording, figure, ask }) {
    const w = figure.words;
    const [given, setGiven] = React.useState("");
    const [club, setClub] = React.useState(""), [from, setFrom] = React.useState("1"), [to, setTo] = React.useState(""), [why, setWhy] = React.useState("");
    return h("details", { className: "wrong fold no-print" }, h("summary", null, w.wrong),
      h("form", { className: "filters", onSubmit: (e) => { e.preventDefault(); if (club.trim()) ask({ club, recording: recording.id, from: Number(from) || 1 }); } },
        field(w.from_swing, h("input", { type: "number", min: 1, value: from, onChange: (e) => setFrom(e.target.value) })),
        field(w.club, h("input", { type: "text", value: club, maxLength: 100, list: "clubs-known", onChange: (e) => setClub(e.target.value) })),
        h("button", { type: "submit", disabled: !club.trim() }, w.correct)),
      h("form", { className: "filters", onSubmit: (e) => { e.preventDefault(); if (given.trim()) ask({ given, recording: recording.id, from: Number(from) || 1 }); } },
        field(w.given_from, h("input", { type: "number", min: 1, value: from, onChange: (e) => setFrom(e.target.value) })),
        field(w.given, h("input", { type: "text", value: given, maxLength: 400, onChange: (e) => setGiven(e.target.value) }), "grow"),
        h("button", { type: "submit", disabled: !given.trim() }, w.given_do)),
      h("form", { className: "filters", onSubmit: (e) => { e.preventDefault(); if (to) ask({ move: recording.id, student: to }); } },
        field(w.belongs, select(to, [["", w.choose], ...figure.others], setTo)),
        h("button", { type: "submit", disabled: !to }, w.move),
        recording.first ? null : h("button", { type: "button", onClick: () => ask({ split: recording.id }) }, w.split)),
      h("form", { className: "filters", onSubmit: (e) => { e.preventDefault(); ask(recording.discarded === null ? { discard: recording.id, why } : { undiscard: recording.id }); } },
        recording.discarded === null ? field(w.why, h("input", { type: "text", value: why, maxLength: 200, onChange: (e) => setWhy(e.target.value) }), "grow") : null,
        h("button", { type: "submit", disabled: recording.discarded === null && !why.trim() }, recording.discarded === null ? w.discard : w.undiscard)));
  }

  /* What the ball did beyond its start: curve and strike are a tap, carry is typed once and tapped from there. */
  function Flight({ s, figure, again, ask }) {
    const f = figure.flight, w = f.words, swing = `${figure.words.swing} ${s.n}`;
    const [typed, setTyped] = React.useState("");
    const noted = (carry) => { ask({ ball: s.id, carry }); setTyped(""); };
    const line = (name, inside) => h("div", { className: "flight", role: "group", "aria-label": `${w[name]}, ${swing}` }, h("span", { className: "flight-name" }, w[name]), inside);
    const taps = (name) => line(name, h("div", { className: "segments" }, f[name].map(([v, t]) =>
      h("button", { key: v, type: "button", "aria-pressed": s[name] === v ? "true" : "false", onClick: () => ask({ ball: s.id, [name]: s[name] === v ? null : v }) }, t))));
    const tap = (label, text, carry) => h("button", { type: "button", "aria-label": label, onClick: () => noted(Math.max(0, carry)) }, text);
    return h(React.Fragment, null, taps("curve"), taps("strike"), line("carry", s.carry !== null
      ? h("div", { className: "row" }, h("div", { className: "segments" }, tap(w.carry_less, `−${f.step}`, s.carry - f.step), tap(w.carry_more, `+${f.step}`, s.carry + f.step)),
        h("span", { className: "number" }, `${s.carry} ${w.unit}`), h("button", { type: "button", className: "quiet", onClick: () => noted(null) }, w.carry_clear))
      : h("form", { className: "row", onSubmit: (e) => { e.preventDefault(); if (typed) noted(Number(typed)); } },
        again === null ? null : h("button", { type: "button", onClick: () => noted(again) }, w.carry_again.replace("{carry}", `${again} ${w.unit}`)),
        h("input", { type: "number", min: 0, max: 499, "aria-label": `${w.carry}, ${w.unit}`, value: typed, onChange: (e) => setTyped(e.target.value) }), h("span", null, w.unit),
        h("button", { type: "submit", className: "quiet", disabled: !typed }, w.carry_keep))));
  }

  /* The carry that a swing may repeat: that of the nearest one before it with the same club, else after it. */
  const nearest = (swings, i) => {
    const same = (x) => x.carry !== null && x.club === swings[i].club;
    const found = swings.slice(0, i).reverse().find(same) || swings.slice(i + 1).find(same);
    return found ? found.carry : null;
  };

  const unfolded = new Set();  // swings whose flight is open: an answer draws the lesson anew, and they stay so

  function Row({ s, figure, again, ask }) {
    const w = figure.words, f = figure.flight.words;
    const [asking, setAsking] = React.useState(false), [why, setWhy] = React.useState(""), [more, setMore] = React.useState(unfolded.has(s.id));
    const unfold = () => { unfolded[more ? "delete" : "add"](s.id); setMore(!more); };
    const tap = (start) => ask({ ball: s.id, start: s.start === start ? null : start });
    const starts = [["left", w.ball_left], ["straight", w.ball_straight], ["right", w.ball_right]];
    const flight = more ? h("tr", { className: "flight-row no-print" }, h("td", { colSpan: 6 }, h(Flight, { s, figure, again, ask }))) : null;
    return h(React.Fragment, null, h("tr", { "data-swing": s.id, className: s.out === null ? "" : "is-out" },
      h("th", { scope: "row", "data-label": w.swing }, swingLink(s)),
      h("td", { "data-label": w.kind }, s.kind), h("td", { "data-label": w.club_head }, s.club),
      h("td", { "data-label": w.wrist }, reading(s)),
      h("td", { className: "taps" }, h("div", { className: "segments", role: "group", "aria-label": `${w.ball}, ${w.swing} ${s.n}` }, starts.map(([v, t]) =>
        h("button", { key: v, type: "button", "aria-pressed": s.start === v ? "true" : "false", onClick: () => tap(v) }, t))),
        h("button", { type: "button", className: "quiet no-print more-ball", "aria-expanded": more ? "true" : "false", onClick: unfold }, more ? f.less : s.flight || f.more)),
      h("td", { className: "wide-cell" },
        s.out !== null ? h("span", { className: "row" }, h("em", null, s.out), h("button", { type: "button", className: "quiet no-print", onClick: () => ask({ back: s.id }) }, w.back_do))
          : asking ? h("form", { className: "row", onSubmit: (e) => { e.preventDefault(); if (why.trim()) { ask({ out: s.id, why }); setAsking(false); } } },
            h("input", { type: "text", "aria-label": w.why, placeholder: w.why, value: why, autoFocus: true, maxLength: 200, onChange: (e) => setWhy(e.target.value), onKeyDown: (e) => { if (e.key === "Escape") setAsking(false); } }),
            h("button", { type: "submit", className: "quiet", disabled: !why.trim() }, w.out_do))
            : h("button", { type: "button", className: "quiet no-print", "aria-label": `${w.out_do}, ${w.swing} ${s.n}`, onClick: () => setAsking(true) }, w.out_do))), flight);
  }

  function Practised({ practice }) {
    const w = practice.words, numbers = ["tries", "held", "lost", "unsure", "told", "untold"];
    if (!practice.rows.length) return null;
    return h("section", { className: "card" }, h("h2", { className: "card-title" }, w.title),
      h("div", { className: "wide" }, h("table", { className: "lines" }, h("caption", { className: "unseen" }, w.title),
        h("thead", null, h("tr", null, ["drill", ...numbers].map((k) => h("th", { key: k, scope: "col" }, w[k])))),
        h("tbody", null, practice.rows.map((r) => h("tr", { key: r.drill }, h("th", { scope: "row" }, r.drill), numbers.map((k) => h("td", { key: k, "data-label": w[k] }, r[k]))))))),
      practice.notes.map((line) => h("p", { key: line }, line)),
      h("p", { className: "note" }, w.note));
  }

  d.Lesson = function ({ id, figure, setProps, asks }) {
    const w = figure.words;
    const [thought, setThought] = React.useState(figure.thought), [other, setOther] = React.useState("");
    React.useEffect(() => setThought(figure.thought), [figure.thought, figure.id]);
    const ask = (what) => setProps({ ask: what, asks: (asks || 0) + 1 });
    return h("div", { id, className: "library" },
      h("div", { className: "said", role: "status" }, figure.message ? h("span", { className: figure.wrong ? "band-fault" : "" }, figure.message) : null,
        figure.undo ? h("button", { type: "button", className: "quiet", onClick: () => ask({ undo: figure.undo }) }, w.undo) : null),
      h("section", { className: "card" }, h("form", { className: "filters", onSubmit: (e) => { e.preventDefault(); ask({ thought }); } },
        field(w.thought, h("input", { type: "text", value: thought, maxLength: 400, placeholder: w.thought_none, onChange: (e) => setThought(e.target.value) }), "grow"),
        h("button", { type: "submit", className: "no-print", disabled: thought === figure.thought }, w.keep)),
        figure.compare_thought ? h("a", { href: figure.compare_thought, className: "button", "data-go": "" }, w.compare_thought) : null,
        figure.hurt ? h("p", { className: "band-fault" }, figure.hurt) : null),
      h("datalist", { id: "clubs-known" }, figure.clubs.map((c) => h("option", { key: c, value: c }))),
      figure.recordings.map((r) => h("section", { key: r.id, className: "card" }, h("h2", { className: "card-title" }, r.title),
        r.note ? h("p", { className: "note" }, r.note) : null,
        r.swings.length ? h("table", { className: "lines swings lesson-swings" }, h("caption", { className: "unseen" }, r.title),
          h("thead", null, h("tr", null, [w.swing, w.kind, w.club_head, w.wrist, w.ball, w.left_out].map((t) => h("th", { key: t, scope: "col" }, t)))),
          h("tbody", null, r.swings.map((s, i) => h(Row, { key: s.id, s, figure, again: nearest(r.swings, i), ask })))) : null,
        h(Wrong, { recording: r, figure, ask }))),
      h(Practised, { practice: figure.practice }),
      figure.merges.length ? h("form", { className: "filters no-print", onSubmit: (e) => { e.preventDefault(); if (other) ask({ merge: other }); } },
        field(w.merge, select(other, [["", w.choose], ...figure.merges], setOther)), h("button", { type: "submit", disabled: !other }, w.merge_do)) : null,
      h("p", { className: "note" }, w.note));
  };
})();

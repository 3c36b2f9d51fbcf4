/* The rail of swings, the numbers, the means, the editor of bands, and what can be taken away. */
(function () {
  "use strict";
  const d = (window.dashboard = window.dashboard || {});
  const h = React.createElement;

  d.Rail = function ({ id, items, current, words }) {
    const list = React.useRef(null);
    const k = items.findIndex((i) => i.swing === current);
    React.useEffect(() => {
      const here = list.current && list.current.querySelector('[aria-current="page"]');
      if (here) list.current.scrollLeft = here.offsetLeft - (list.current.clientWidth - here.clientWidth) / 2;
    }, [current]);
    const go = (e, href) => {
      if (e.metaKey || e.ctrlKey || e.shiftKey || e.button > 0) return;
      e.preventDefault();
      d.link.go(d.link.keeping(href));
    };
    const step = (n, cls, label, arrow) => {
      const to = items[k + n];
      return h("a", { className: "rail-step " + cls, href: to ? to.href : null, "aria-disabled": to ? null : "true", role: "link", "aria-label": label, onClick: (e) => (to ? go(e, to.href) : e.preventDefault()) },
        h("svg", { width: 14, height: 20, viewBox: "0 0 14 20", "aria-hidden": true }, h("path", { d: arrow })));
    };
    /* Arrows walk along the rail, so that the keyboard reaches what follows it with one more Tab. */
    const keys = (e) => {
      const links = [...list.current.querySelectorAll("a")];
      const at = links.indexOf(document.activeElement);
      const to = { ArrowRight: at + 1, ArrowLeft: at - 1, Home: 0, End: links.length - 1 }[e.key];
      if (to === undefined || at < 0 || !links[to]) return;
      e.preventDefault();
      links[to].focus();
    };
    return h("nav", { id, className: "rail", "aria-label": words.rail },
      step(-1, "before", words.previous, "M11 2 L3 10 L11 18"),
      h("ol", { ref: list, onKeyDown: keys }, items.map((item) => h("li", { key: item.swing },
        h("a", { href: item.href, onClick: (e) => go(e, item.href), tabIndex: item.swing === current ? 0 : -1, "aria-current": item.swing === current ? "page" : null, "aria-label": item.spoken, className: item.left_out ? "left-out" : "" },
          h("span", { className: "rail-number" }, item.swing),
          h(d.Level, { level: item.level, width: 36, height: 11 }))))),
      step(1, "after", words.next, "M3 2 L11 10 L3 18"));
  };

  d.Numbers = function ({ id }) {
    const cursor = d.useCursor();
    const figure = cursor.figure;
    if (!figure) return h("section", { id, className: "card" });
    const k = Math.max(0, figure.events.findIndex((e) => e.key === cursor.event));
    const w = figure.words;
    return h("section", { id, className: "card numbers" },
      h("h2", { className: "card-title" }, w.numbers_title.replace("{at}", figure.events[k].at)),
      h("table", null, h("caption", { className: "unseen" }, w.table_caption), h("tbody", null, figure.numbers.map((row) => {
        const c = row.cells[k];
        return h("tr", { key: row.angle, "data-angle": row.angle },
          h("th", { scope: "row" }, row.label),
          c.value === null ? h("td", { colSpan: 2, className: "note reason" }, c.reason)
            : [h("td", { key: "n", className: "figure", title: c.sided }, h("span", { className: "number" }, c.text + "°"), " ", h("span", { className: "doubt" }, c.doubt)),
               h("td", { key: "w", className: "verdict" }, c.level ? h(d.Level, { level: c.level, width: 64, height: 17, label: c.spoken }) : null, h("span", { className: c.sure ? "word strong" : "word" }, c.word))]);
      }))),
      figure.changes.length ? h("h3", { className: "sub-title" }, w.numbers_change) : null,
      figure.changes.length ? h("table", null, h("caption", { className: "unseen" }, w.numbers_change), h("tbody", null, figure.changes.map((row) => {
        const c = row.cell;
        return h("tr", { key: row.key, "data-angle": row.key }, h("th", { scope: "row", className: "wraps" }, row.label),
          c.value === null ? h("td", { colSpan: 2, className: "note reason" }, c.reason)
            : [h("td", { key: "n", className: "figure" }, h("span", { className: "number" }, (c.value > 0 && c.text !== "0" ? "+" : "") + c.text + "°"), " ", h("span", { className: "doubt" }, c.doubt)),
               h("td", { key: "w", className: "verdict" }, c.level ? h(d.Level, { level: c.level, width: 64, height: 17, label: c.spoken }) : null, h("span", { className: c.sure ? "word strong" : "word" }, c.word))]);
      }))) : null);
  };

  d.Means = function ({ id, figure }) {
    const cursor = d.useCursor();
    const rows = figure.events[cursor.event || "top"] || [];
    return h("section", { id, className: "card means" },
      h("h2", { className: "card-title" }, figure.title, " ", h("span", { className: "aside" }, figure.at[cursor.event || "top"])),
      h("p", { className: "note" }, figure.counts),
      figure.enough ? h("table", null, h("caption", { className: "unseen" }, figure.title),
        h("thead", null, h("tr", null, h("th", { scope: "col" }, figure.words.angle), h("th", { scope: "col" }, figure.words.mean), h("th", { scope: "col" }, figure.words.spread))),
        h("tbody", null, rows.map((r) => h("tr", { key: r.angle }, h("th", { scope: "row" }, r.label), h("td", null, h("span", { className: "number" }, r.mean), " ", h("span", { className: "doubt" }, r.doubt)), h("td", null, r.spread))))) : null,
      h("p", { className: "note" }, figure.enough ? figure.note : figure.few));
  };

  d.BandEditor = function ({ id, figure, setProps, asks, fault }) {
    const w = figure.words;
    const [rows, setRows] = React.useState(figure.rows);
    const [name, setName] = React.useState(figure.name);
    const [wrong, setWrong] = React.useState("");
    React.useEffect(() => { setRows(figure.rows); setName(figure.name); setWrong(""); }, [figure]);
    React.useEffect(() => { setWrong(fault || ""); }, [fault, asks]);
    const change = (k, field, value) => setRows(rows.map((r, i) => (i === k ? { ...r, [field]: value } : r)));
    const least = (r) => figure.least[`${r.angle}@${r.event}`];
    const filled = (v) => v !== "" && v !== null && Number.isFinite(Number(v));
    const ask = (what) => setProps({ ask: what, asks: (asks || 0) + 1 });
    const save = () => {
      if (!rows.every((r) => filled(r.low) && filled(r.high))) return setWrong(w.number);
      if (!rows.every((r) => Number(r.high) > Number(r.low))) return setWrong(w.order);
      setWrong("");
      return ask({ save: name, rows: rows.map((r) => ({ ...r, low: Number(r.low), high: Number(r.high) })) });
    };
    const select = (label, value, options, onChange) => h("select", { "aria-label": label, value, onChange: (e) => onChange(e.target.value) }, options.map(([v, t]) => h("option", { key: v, value: v }, t)));
    const number = (label, value, onChange) => h("input", { type: "number", step: "any", "aria-label": label, value: value === null ? "" : value, onChange: (e) => onChange(e.target.value) });
    const title = (list, key) => (list.find((a) => a[0] === key) || [key, key])[1];
    return h("div", { id, className: "band-editor" },
      h("div", { className: "row" }, h("label", { htmlFor: id + "-set" }, w.choose),
        h("select", { id: id + "-set", value: figure.key, onChange: (e) => ask({ choose: e.target.value }) }, figure.sets.map(([v, t]) => h("option", { key: v, value: v }, t)))),
      rows.length ? h("div", { className: "scroll", role: "region", tabIndex: 0, "aria-label": w.title }, h("table", null,
        h("thead", null, h("tr", null, [w.angle, w.event, w.low, w.high, w.least].map((t) => h("th", { key: t, scope: "col" }, t)), h("td", null))),
        h("tbody", null, rows.map((r, k) => {
          const need = least(r);
          const wide = Number(r.high) - Number(r.low);
          const narrow = need && filled(r.low) && filled(r.high) && wide > 0 && wide < need;
          const names = `${title(figure.angles, r.angle)}, ${title(figure.events, r.event)}`;
          return h(React.Fragment, { key: k },
            h("tr", { title: r.source || null },
              h("td", null, select(w.angle, r.angle, figure.angles, (v) => change(k, "angle", v))),
              h("td", null, select(w.event, r.event, figure.events, (v) => change(k, "event", v))),
              h("td", null, number(`${w.low} ${names}`, r.low, (v) => change(k, "low", v))),
              h("td", null, number(`${w.high} ${names}`, r.high, (v) => change(k, "high", v))),
              h("td", { className: "note" }, need ? need + "°" : "—"),
              h("td", null, h("button", { type: "button", className: "quiet", "aria-label": w.remove_label.replace("{names}", names), onClick: () => setRows(rows.filter((_, i) => i !== k)) }, w.remove))),
            h("tr", { className: "band-source" }, h("td", { colSpan: 6, className: "note" }, r.source || w.own, r.clubs && r.clubs.length ? " (" + w.for_clubs.replace("{clubs}", r.clubs.join(", ")) + ")" : "")),
            narrow ? h("tr", { className: "narrow-band" }, h("td", { colSpan: 6 }, h("span", { role: "status" }, w.narrow.replace("{n}", need)), " ",
              h("button", { type: "button", className: "quiet", onClick: () => { const low = Math.floor((Number(r.low) + Number(r.high) - need) / 2); setRows(rows.map((q, i) => (i === k ? { ...q, low, high: low + need } : q))); } }, w.take_least.replace("{n}", need)))) : null);
        })))) : h("p", { className: "note" }, w.empty),
      h("p", { className: "note" }, w.least_help),
      wrong ? h("p", { className: "band-fault", role: "alert" }, wrong) : null,
      h("div", { className: "row" },
        h("button", { type: "button", onClick: () => setRows([...rows, { angle: "wrist_flexion", event: "top", low: "", high: "", source: "", clubs: [] }]) }, w.add),
        h("label", { htmlFor: id + "-name" }, w.name), h("input", { id: id + "-name", type: "text", value: name, maxLength: 60, onChange: (e) => setName(e.target.value) }),
        h("button", { type: "button", className: "strong", onClick: save, disabled: !name.trim() }, w.save)));
  };

  /* -- pictures of the strip to take away -------------------------------------------------------- */

  async function fontRule() {
    const sheet = await (await fetch("/assets/fonts/atkinson-hyperlegible-next-latin-wght-normal.woff2")).arrayBuffer();
    let text = "";
    new Uint8Array(sheet).forEach((b) => (text += String.fromCharCode(b)));
    return `@font-face{font-family:"Atkinson Hyperlegible Next";font-weight:200 800;src:url(data:font/woff2;base64,${btoa(text)}) format("woff2")}`;
  }

  const STYLES = ["fill", "fill-opacity", "stroke", "stroke-width", "stroke-dasharray", "stroke-linecap", "stroke-linejoin", "stroke-opacity", "opacity", "font-size", "font-weight", "font-family", "text-anchor", "paint-order", "font-feature-settings"];

  async function stripSvg() {
    const { figure, heading } = d.shown;
    const width = 1000;
    const host = document.createElement("div");
    host.style.cssText = "position:absolute;left:-4000px;top:0";
    host.className = "card";
    document.body.appendChild(host);
    const root = ReactDOM.createRoot(host);
    const view = d.link.get("view") === "real" ? "real" : "equal";
    const shape = d.wideStrip(figure, width, view, d.cursor.get(), "taken");
    const top = 64;
    ReactDOM.flushSync(() => root.render(h("svg", { xmlns: "http://www.w3.org/2000/svg", className: "strip-svg", viewBox: `-20 ${-top} ${width + 40} ${shape.height + top + 16}`, width: width + 40, height: shape.height + top + 16 },
      h("rect", { className: "paper", x: -20, y: -top, width: width + 40, height: shape.height + top + 16 }),
      (heading || "").split("\n").map((t, i) => h("text", { key: i, x: 0, y: -top + 30 + i * 22, className: i ? "note" : "heading" }, t)), shape.children)));
    const svg = host.querySelector("svg");
    const copy = svg.cloneNode(true);
    const from = svg.querySelectorAll("*"), to = copy.querySelectorAll("*");
    from.forEach((el, i) => {
      const style = getComputedStyle(el);
      STYLES.forEach((s) => { const v = style.getPropertyValue(s); if (v && v !== "none" || s === "fill" || s === "stroke") to[i].style.setProperty(s, v); });
      to[i].removeAttribute("class");
    });
    const rule = document.createElementNS("http://www.w3.org/2000/svg", "style");
    rule.textContent = await fontRule();
    copy.insertBefore(rule, copy.firstChild);
    root.unmount();
    host.remove();
    return new XMLSerializer().serializeToString(copy);
  }

  function give(blob, name) {
    const a = document.createElement("a");
    a.href = URL.createObjectURL(blob);
    a.download = name;
    a.click();
    setTimeout(() => URL.revokeObjectURL(a.href), 10000);
  }

  d.take = async function (kind) {
    if (kind === "print") return window.print();
    const text = await stripSvg();
    const name = (d.shown.file || "swing") + "." + kind;
    const blob = new Blob([text], { type: "image/svg+xml" });
    if (kind === "svg") return give(blob, name);
    const image = new Image();
    image.src = "data:image/svg+xml;base64," + btoa(unescape(encodeURIComponent(text)));
    await image.decode();
    const canvas = document.createElement("canvas");
    canvas.width = image.width * 2;
    canvas.height = image.height * 2;
    const pen = canvas.getContext("2d");
    pen.scale(2, 2);
    pen.drawImage(image, 0, 0);
    return canvas.toBlob((png) => give(png, name), "image/png");
  };
  document.addEventListener("click", (e) => {
    const button = e.target.closest && e.target.closest("button[data-take]");
    if (button) d.take(button.dataset.take);
  });
})();

/* Drawings made by the server, and the preview of a letter. */
(function () {
  "use strict";
  const d = (window.dashboard = window.dashboard || {});
  const h = React.createElement;

  /* `wide` and `narrow` are SVG text from dashboard/ridges.py, which escapes every name in it. */
  d.Drawing = function ({ id, wide, narrow }) {
    const box = (svg, cls) => h("div", { key: cls, className: "drawn " + cls, dangerouslySetInnerHTML: { __html: svg } });
    return h("div", { id, className: narrow ? "drawn-pair" : "drawn-one" }, box(wide, narrow ? "for-wide" : "for-all"), narrow ? box(narrow, "for-narrow") : null);
  };

  /* The letter as it will be printed, in a frame that runs no script. */
  d.Preview = function ({ id, page, label }) {
    const frame = React.useRef(null);
    const fit = () => {
      const f = frame.current;
      if (f && f.contentDocument && f.contentDocument.documentElement) f.style.height = f.contentDocument.documentElement.scrollHeight + "px";
    };
    React.useEffect(() => { window.addEventListener("resize", fit); return () => window.removeEventListener("resize", fit); }, []);
    return h("iframe", { id, ref: frame, className: "letter-frame", title: label, sandbox: "allow-same-origin", srcDoc: page, onLoad: () => { fit(); setTimeout(fit, 400); } });
  };
})();

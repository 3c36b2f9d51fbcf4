/* One cursor for the whole page: the place in the swing that strip, picture and numbers show.
   It also keeps the link in the address bar, so that what is seen can be bookmarked. */
(function () {
  "use strict";
  const d = (window.dashboard = window.dashboard || {});
  const listeners = new Set();
  let state = { figure: null, event: null, sample: 0, exact: true };

  function tell(next) {
    state = { ...state, ...next };
    listeners.forEach((f) => f());
  }

  d.link = {
    get: (name) => new URLSearchParams(window.location.search).get(name),
    /* Without a callback to the server: the address is only noted. */
    note(values) {
      const query = new URLSearchParams(window.location.search);
      Object.entries(values).forEach(([k, v]) => (v === null ? query.delete(k) : query.set(k, v)));
      const search = query.toString();
      const next = window.location.pathname + (search ? "?" + search : "");
      if (next !== window.location.pathname + window.location.search) window.history.replaceState(window.history.state, "", next);
    },
    /* To another page of the application, as its links do. */
    go(href) {
      window.history.pushState({}, "", href);
      window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
    },
    /* The same place in another swing. */
    keeping(href) {
      const url = new URL(href, window.location.href);
      ["at", "view", "angle"].forEach((k) => { const v = d.link.get(k); if (v) url.searchParams.set(k, v); });
      return url.pathname + url.search;
    },
  };

  d.cursor = {
    get: () => state,
    subscribe(f) { listeners.add(f); return () => listeners.delete(f); },
    /* To an event of the figure; one that was not reached keeps the picture where it is. */
    toEvent(figure, key) {
      const event = figure.events.find((e) => e.key === key) || figure.events[4];
      const sample = event.sample === null ? state.sample : event.sample;
      tell({ event: event.key, sample: Math.min(sample, Math.max(0, figure.t.length - 1)), exact: true });
      d.link.note({ at: event.key });
    },
    toSample(figure, index) {
      const sample = Math.max(0, Math.min(figure.t.length - 1, index));
      const here = figure.equal[sample];
      const reached = figure.events.map((e, k) => [e, k]).filter(([e]) => e.sample !== null);
      if (!reached.length) return;
      const [event] = reached.reduce((a, b) => (Math.abs(b[1] - here) < Math.abs(a[1] - here) ? b : a));
      tell({ event: event.key, sample, exact: event.sample === sample });
      d.link.note({ at: event.key });
    },
    /* A new swing: the same event as before. Picture and numbers take its figure from here: it is
       large, and comes once, with the strip. */
    adopt(figure) { state = { ...state, figure }; d.cursor.toEvent(figure, state.event || d.link.get("at") || "top"); },
  };

  /* Links that stay within the application (`data-go`). */
  document.addEventListener("click", (e) => {
    const a = e.target.closest && e.target.closest("a[data-go]");
    if (!a || e.defaultPrevented || e.metaKey || e.ctrlKey || e.shiftKey || e.button > 0) return;
    e.preventDefault();
    const list = a.closest("details");
    if (list) list.open = false;
    d.link.go(a.getAttribute("href"));
  });

  d.useCursor = () => React.useSyncExternalStore(d.cursor.subscribe, d.cursor.get);

  d.useWidth = (ref) => {
    const [width, setWidth] = React.useState(0);
    React.useLayoutEffect(() => {
      if (!ref.current) return undefined;
      const measure = () => { const w = Math.floor(ref.current ? ref.current.clientWidth : 0); if (w) setWidth(w); };
      measure();
      const observer = new ResizeObserver(measure);
      observer.observe(ref.current);
      return () => observer.disconnect();
    }, []);
    return width;
  };
})();

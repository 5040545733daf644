"use strict";
// All that a page shows is said by its address. Links, forms, figures and rows change the address;
// the server draws what it says.

(function () {
  const plots = window.looptimePlots;
  const find = (id) => document.getElementById(id);
  const now = () => new URLSearchParams(location.search);
  const say = (text) => { (find("said") || {}).textContent = text; };

  // "name=value&other=": the address with these instead of its own; what is empty is taken out
  function having(given) {
    const params = now();
    const pairs = [...new URLSearchParams(given || "")];
    pairs.forEach(([name]) => params.delete(name));
    pairs.filter(([, value]) => value.trim()).forEach(([name, value]) => params.append(name, value.trim()));
    return params;
  }
  const inOrder = (address) => address.split(/[?&]/).filter(Boolean).sort().join();
  function go(given, path, arriving) {
    const next = `${path || location.pathname}?${having(given)}`;
    wantsLoop = new URLSearchParams(given).get("loop") ? true : wantsLoop;
    if (inOrder(next) === inOrder(location.pathname + location.search)) { return; }
    say("");
    history[arriving ? "replaceState" : "pushState"]({}, "", next);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  }
  // of a row or a bar: "/page?name=value", or "?name=value" where the page stays
  const toAddress = (text) => go(...text.split("?").reverse());

  (window.dash_clientside ||= {}).looptime = {
    // the chosen loop is told apart from all else, so that another one leaves the page as it is
    split: (path, search, view, loop) => {
      const {no_update} = window.dash_clientside;
      const params = new URLSearchParams(search || "");
      const chosen = /^-?\d+$/.test(params.get("loop")) ? Number(params.get("loop")) : null;
      params.delete("loop");
      const next = [path || "/", "?" + params];
      return [view && view.join() === next.join() ? no_update : next,
        chosen === (loop ?? null) ? no_update : chosen];
    },
    row: (grids) => {
      const row = (grids || []).flat().find(Boolean);
      if (row && row.set) { toAddress(row.set); }
      return window.dash_clientside.no_update;
    },
  };
  plots.chosen.range = (plot, ends) => {
    const [a, b] = [...ends].sort((p, q) => p - q);
    if (plot === "rate" && b > a) { go(`start=${Math.max(0, a).toFixed(3)}&end=${b.toFixed(3)}&loop=`); }
  };
  plots.chosen.click = (plot, points) => {
    const told = points.map((p) => (p.customdata || [])).filter((c) => c.length);
    if (/^(costs|excess)/.test(plot) && told.length && told[0][2]) { toAddress(told[0][2]); }
    const loops = told.map((c) => c[0]).filter((n) => Number.isInteger(n) && n >= 0);
    if (/^(rate|periods|recurrence|call-run)$/.test(plot) && loops.length) { go(`loop=${loops.pop()}`); }
  };

  document.addEventListener("click", (event) => {
    if (event.metaKey || event.ctrlKey || event.shiftKey || event.button) { return; }
    const on = (what) => event.target.closest(what);
    const link = on("a[data-page], a[data-set]");
    if (link) {
      event.preventDefault();
      go(link.dataset.set, link.dataset.page);
    }
    const png = on("button[data-png]");
    if (png) { plots.png(png.closest(".card").querySelector(".plot"), png.dataset.png); }
    if (on("#theme")) { turnTheme(); }
  });
  document.addEventListener("keydown", ({key}) => key === "Escape" ? document.querySelector(".presenting a")?.click()
    : document.querySelector(".presenting") && /^Arrow[LR]/.test(key)
    && scrollBy(0, (key === "ArrowLeft" ? -1 : 1) * innerHeight));
  document.addEventListener("submit", (event) => {
    if (!event.target.matches("form[data-fields]")) { return; }
    event.preventDefault();
    go(new FormData(event.target));
    event.target.reset();
  });

  const root = document.documentElement;
  try { root.dataset.theme = localStorage.getItem("looptime-theme") || ""; } catch { /* as the system has it */ }
  function turnTheme() {
    const light = matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light";
    root.dataset.theme = (root.dataset.theme || light) === "dark" ? "light" : "dark";
    try { localStorage.setItem("looptime-theme", root.dataset.theme); } catch { /* not kept */ }
  }

  // a log dropped onto the page is what the button would have been given; the form sends it
  const sendLog = () => { say("Sending the log ..."); find("file").form.submit(); };
  document.addEventListener("change", (event) => { if (event.target.id === "file") { sendLog(); } });
  for (const kind of ["dragover", "dragleave", "drop"]) {
    document.addEventListener(kind, (event) => {
      if (![...event.dataTransfer.types].includes("Files")) { return; }
      event.preventDefault();
      document.body.classList.toggle("dropping", kind === "dragover" && !!find("file"));
      if (kind !== "drop") { return; }
      if (!find("file")) { say("This server is shared and takes no logs."); return; }
      find("file").files = event.dataTransfer.files;
      sendLog();
    });
  }

  // what of a page does not live comes as escaped HTML in an attribute of its place; what is there
  // already stays, so that the keyboard's place, drawn figures and what was unfolded are kept
  function placeAll(changes) {
    const gone = changes.flatMap((one) => [...one.removedNodes])
      .flatMap((one) => [one, ...(one.querySelectorAll?.(".still") || [])]).filter((one) => one.home);
    for (const place of document.getElementsByClassName("still")) {
      if (place.placed === place.dataset.markup) { continue; }
      place.home ||= place.parentNode.closest("[id]").id;
      const before = place.placed ? null : gone.find((one) => one.home === place.home && one.firstChild);
      place.append(...(before ? before.childNodes : [])); // a page that comes again stands elsewhere
      place.placed = place.dataset.markup;
      const made = document.createElement("div");
      made.innerHTML = place.placed;
      window.morphdom(place, made, {
        childrenOnly: true,
        getNodeKey: (one) => one.parentNode === place || one.parentNode === made ? one.dataset?.key : null,
        onBeforeElUpdated: (old, next) => !old.isEqualNode(next),
        onBeforeElChildrenUpdated: (old) => !old.classList.contains("plot"),
      });
      for (const one of place.querySelectorAll("details")) { one.open ||= unfolded.has(nameOf(one)); }
    }
    const key = focused?.placedKey;
    const again = key ? document.querySelector(`[data-key="${CSS.escape(key)}"]`) : focused;
    if (again?.isConnected && document.activeElement === document.body) { again.focus({preventScroll: true}); }
    plots.refresh();
    arrive();
  }
  new MutationObserver(placeAll).observe(root,
    {childList: true, subtree: true, attributes: true, attributeFilter: ["data-markup"]});

  // how far each page was scrolled and what was unfolded there is kept while the tab is open
  const unfolded = new Set();
  const scrolled = new Map();
  const nameOf = (one) => location.pathname + one.closest("[data-key]")?.dataset.key + one.firstChild.textContent;
  let focused = null;
  let shown = ""; // the page that is there
  let wanted = null; // how far it is to be scrolled once it is long enough
  let wantsLoop = now().has("loop");
  history.scrollRestoration = "manual";
  document.addEventListener("toggle", ({target: one}) => unfolded[one.open ? "add" : "delete"](nameOf(one)), true);
  document.addEventListener("scroll", () => wanted === null && shown === location.pathname && scrolled.set(shown, scrollY));
  for (const kind of ["wheel", "pointerdown", "keydown"]) {
    document.addEventListener(kind, () => { [wanted, wantsLoop] = [null, false]; }, {passive: true});
  }
  document.addEventListener("focusin", ({target}) => { [focused, target.placedKey] = [target, target.dataset.key]; });
  // a page without a run opens the newest, and says so in its address; its tab says what it shows
  function arrive() {
    for (const place of document.querySelectorAll("[data-goto]")) {
      const [name, value] = place.dataset.when.split("=");
      const at = now().get(name) || ""; // what is no key at all, such as a file's name, is none
      if ((value || /^[0-9a-f]{16}(\.\w+)?(-\d{1,4})?$/.test(at) ? at : "") === decodeURIComponent(value)) { go(place.dataset.goto, "", true); }
    }
    const title = find("page-title");
    if (!title?.dataset.path) { return; }
    const words = [title.textContent, title.dataset.log, "looptime"].filter(Boolean).join(" - ");
    find("run-select")?.setAttribute("tabindex", "0"); // instead of a hidden field that takes the focus
    if (document.title !== words) { document.title = words; }
    if (title.dataset.path === location.pathname && shown !== location.pathname) {
      if (shown) { title.focus({preventScroll: true}); }
      shown = location.pathname;
      wanted = scrolled.get(shown) || 0;
    }
    if (wanted !== null && root.scrollHeight - innerHeight >= wanted) {
      scrollTo(0, wanted);
      wanted = null;
    }
    const panel = find("loop-panel");
    if (wantsLoop && panel.querySelector(".card")) {
      wantsLoop = false;
      panel.scrollIntoView({block: "nearest"});
    }
  }

  // when the server has gone, say so; when it is back, go on where the page was
  setInterval(() => document.hidden || fetch("/alive", {cache: "no-store"}).then((answer) => {
    if (answer.status === 401) { location.href = "/enter"; }
    if (answer.ok && document.body.classList.contains("gone")) { location.reload(); }
  }, () => {
    document.body.classList.add("gone");
    say("The server does not answer. Start it again; this page then goes on by itself.");
  }), 2000);
}());

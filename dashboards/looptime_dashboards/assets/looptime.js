"use strict";
// All that a page shows is said by its address. Links, lists, plots and tables change the
// address; the server draws what it says.

(function () {
  const go = (path, params, arriving) => {
    const text = params.toString();
    const next = path + (text ? "?" + text : "");
    if (next === location.pathname + location.search) { return; }
    say("");
    history[arriving ? "replaceState" : "pushState"]({}, "", next);
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  };
  const now = () => new URLSearchParams(location.search);
  const set = (pairs, path, arriving) => go(path || location.pathname, having(pairs), arriving);
  const having = (pairs) => {
    const params = now();
    for (const [name, value] of Object.entries(pairs)) {
      if (value === "" || value === null || value === undefined) { params.delete(name); }
      else if (Array.isArray(value)) {
        params.delete(name);
        value.forEach((one) => params.append(name, one));
      } else { params.set(name, value); }
    }
    return params;
  };
  const pairsOf = (text) => {
    const params = new URLSearchParams(text || "");
    return Object.fromEntries([...params.keys()].map((n) => [n, params.getAll(n).length > 1 ? params.getAll(n) : params.get(n)]));
  };
  // a row or a bar: a call has its page, like calls are put one by one or together again
  const onward = (text) => {
    const given = pairsOf(text);
    const all = now().getAll("open");
    if (given.open) {
      given.open = all.includes(given.open) ? all.filter((v) => v !== given.open) : [...all, given.open];
    }
    set(given, given.call ? "/call" : location.pathname);
    if (given.loop) { reveal(); }
  };
  const say = (text, offers) => {
    const place = document.getElementById("said");
    if (!place) { return; }
    place.textContent = text;
    for (const [label, act] of offers || []) {
      const button = document.createElement("button");
      button.type = "button";
      button.className = "button";
      button.textContent = label;
      button.addEventListener("click", act);
      place.append(" ", button);
    }
  };

  // what the server tells the page by callbacks
  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    looptime: {
      split: function (path, search, view, loop) {
        const keep = window.dash_clientside.no_update;
        const params = new URLSearchParams(search || "");
        const number = params.has("loop") ? parseInt(params.get("loop"), 10) : null;
        params.delete("loop");
        const next = [path || "/", "?" + params.toString()];
        const chosen = Number.isFinite(number) ? number : null;
        const same = view && view[0] === next[0] && view[1] === next[1];
        mark();
        return [same ? keep : next, chosen === loop && loop !== undefined ? keep : chosen];
      },
      askLoop: function (loop, view, page, asked) {
        // asked again when the page is drawn anew: it may rest on more loops than before
        if (!Number.isInteger(loop)) { return asked ? null : window.dash_clientside.no_update; }
        return [loop, view, asked ? asked[2] + 1 : 0];
      },
      row: function (grids) {
        const [row] = [grids || []].flat(2).filter(Boolean);
        if (row) { onward(row.set); }
        return window.dash_clientside.no_update;
      },
    },
  });
  window.looptimePlots.chosen.range = (plot, ends) => {
    const [a, b] = [...ends].sort((p, q) => p - q);
    if (plot === "rate" && b - a > 0) {
      set({start: Math.max(0, a).toFixed(3), end: b.toFixed(3), loop: ""});
    }
  };
  window.looptimePlots.chosen.click = (plot, points) => {
    // a bar of like calls opens or closes them, that of one call leads to its page
    if (/^(costs|excess)/.test(plot) && points.length) { onward((points[0].customdata || [])[2]); }
    if (!["rate", "periods", "recurrence", "call-run"].includes(plot)) { return; }
    const loops = points.map((p) => p.customdata && p.customdata[0])
      .filter((n) => Number.isInteger(n) && n >= 0);
    if (loops.length) { set({loop: loops[loops.length - 1]}); reveal(); }
  };
  // the panel comes after the server has drawn it; then it is brought into view
  function reveal() {
    const panel = document.getElementById("loop-panel");
    if (!panel) { return; }
    const watch = new MutationObserver(() => {
      watch.disconnect();
      setTimeout(() => panel.scrollIntoView({block: "nearest"}), 60);
    });
    watch.observe(panel, {childList: true, subtree: true});
    setTimeout(() => watch.disconnect(), 4000);
  }

  // links to pages carry the choices along
  function mark() {
    for (const link of document.querySelectorAll("a[data-page]")) {
      const path = link.dataset.page;
      link.setAttribute("href", path + "?" + having(pairsOf(link.dataset.set)));
      if (path === location.pathname && link.className !== "brand") {
        link.setAttribute("aria-current", "page");
      } else { link.removeAttribute("aria-current"); }
    }
  }

  document.addEventListener("click", (event) => {
    if (event.metaKey || event.ctrlKey || event.shiftKey || event.button) { return; }
    const link = event.target.closest("a[data-page], a[data-set]");
    if (link) {
      event.preventDefault();
      const pairs = pairsOf(link.dataset.set);
      set(pairs, link.dataset.page);
      if ("loop" in pairs && pairs.loop) { reveal(); }
      return;
    }
    const hides = event.target.closest("button[data-hide]");
    if (hides) { hides.closest("." + hides.dataset.hide).hidden = true; }
    const png = event.target.closest("button[data-png]");
    if (png) { savePng(png); }
    if (event.target.closest("#theme")) { turnTheme(); }
    if (event.target.closest("#copy")) { copyLink(); }
  });
  document.addEventListener("change", (event) => {
    const list = event.target.closest("select[data-param]");
    if (list) {
      const pairs = {};
      (list.dataset.clears || "").split(",").filter(Boolean).forEach((n) => { pairs[n] = ""; });
      pairs[list.dataset.param] = list.value;
      set(pairs);
    }
    if (event.target.id === "file" && event.target.files.length) {
      drop(event.target.files[0]);
      event.target.value = "";
    }
  });
  document.addEventListener("submit", (event) => {
    const form = event.target.closest("form[data-fields]");
    if (!form) { return; }
    event.preventDefault();
    const pairs = {};
    for (const field of form.querySelectorAll("input[name]")) {
      const value = field.value.trim();
      if (field.name.startsWith("add-")) {
        const name = field.name.slice(4);
        const kept = now().getAll(name).filter((one) => one !== form.dataset.replaces);
        pairs[name] = value ? [...kept, value] : kept;
      } else { pairs[field.name] = value; }
    }
    set(pairs);
  });

  function savePng(button) {
    const card = button.closest(".card");
    const place = card && card.querySelector(".plot");
    if (!place) { return; }
    window.looptimePlots.png(place, button.dataset.title).then((url) => {
      if (!url) { return; }
      const link = document.createElement("a");
      link.href = url;
      link.download = button.dataset.png + ".png";
      link.click();
    });
  }

  function copyLink() {
    const told = () => say("The link is copied: it opens this view wherever these logs are.");
    if (navigator.clipboard) {
      navigator.clipboard.writeText(location.href).then(told, () => say(location.href));
    } else { say(location.href); }
  }

  function turnTheme() {
    const root = document.documentElement;
    const dark = root.dataset.theme ? root.dataset.theme === "dark"
      : matchMedia("(prefers-color-scheme: dark)").matches;
    root.dataset.theme = dark ? "light" : "dark";
    try { localStorage.setItem("looptime-theme", root.dataset.theme); } catch { /* not kept */ }
  }
  try {
    const theme = localStorage.getItem("looptime-theme");
    if (theme === "dark" || theme === "light") { document.documentElement.dataset.theme = theme; }
  } catch { /* as the system has it */ }

  // a log dropped onto the page
  function drop(file, layout) {
    const limit = 256 * 1024 * 1024;
    if (file.size > limit) { say(`${file.name} is larger than 256 MiB: put it into the folder.`); return; }
    say(`Reading ${file.name} ...`);
    const form = new FormData();
    if (layout) { form.append("layout", layout); }
    form.append("log", file, file.name);
    fetch("/drop", {method: "POST", body: form}).then((answer) => answer.json()).then((told) => {
      if (told.error) {
        say(told.error, (told.layouts || []).map((one) => [`Read it as ${one}`, () => drop(file, one)]));
        return;
      }
      set({run: told.run, start: "", end: "", loop: "", phase: "", change: ""});
      say(`${file.name} is open.`);
    }).catch(() => say(`${file.name} could not be sent to the server.`));
  }
  const holdsFile = (event) => [...(event.dataTransfer ? event.dataTransfer.types : [])].includes("Files");
  for (const kind of ["dragover", "dragleave", "drop"]) {
    document.addEventListener(kind, (event) => {
      if (!holdsFile(event)) { return; }
      event.preventDefault();
      const open = document.getElementById("pick");
      document.body.classList.toggle("dropping", kind === "dragover" && !!open);
      if (kind !== "drop") { return; }
      if (!open) { say("This server is shared and takes no logs."); return; }
      if (event.dataTransfer.files.length) { drop(event.dataTransfer.files[0]); }
    });
  }
  const giveFile = () => {
    const place = document.getElementById("pick-file");
    if (!place || place.firstChild) { return; }
    const input = document.createElement("input");
    input.type = "file";
    input.id = "file";
    place.append(input);
  };
  new MutationObserver(() => { giveFile(); placeAll(); }).observe(document.documentElement,
    {childList: true, subtree: true, attributes: true, attributeFilter: ["data-markup"]});

  // what of a page does not live comes as escaped HTML in an attribute of its place
  const places = document.getElementsByClassName("still");
  function placeAll() {
    for (const place of places) {
      const text = place.dataset.markup;
      if (place.placed === text) { continue; }
      place.placed = text;
      const made = document.createElement("template");
      made.innerHTML = text;
      turnInto(place, made.content);
    }
    window.looptimePlots.refresh();
    mark();
    arrive();
  }
  // a page without a run opens the newest, and says so in its address; its tab says what it shows
  function arrive() {
    const list = document.getElementById("run-select");
    for (const place of document.querySelectorAll("[data-goto]")) {
      const [name, value] = Object.entries(pairsOf(place.dataset.when))[0];
      if ((now().get(name) || "") === value) { set(pairsOf(place.dataset.goto), "", true); }
    }
    const title = document.getElementById("page-title");
    const run = list && list.selectedOptions[0];
    if (title && run && title.dataset.log !== run.textContent) { title.dataset.log = run.textContent; }
    const words = [title && title.textContent, run && run.textContent, "looptime"].filter(Boolean).join(" - ");
    if (document.title !== words) { document.title = words; }
  }
  // what is there already stays, so that the keyboard's place and what was unfolded are kept
  function turnInto(old, next) {
    const keyed = new Map([...old.children].filter((e) => e.dataset.key).map((e) => [e.dataset.key, e]));
    let at = old.firstChild;
    for (const one of [...next.childNodes]) {
      const same = one.dataset && one.dataset.key ? keyed.get(one.dataset.key) : at;
      if (!same || same.nodeName !== one.nodeName || (same.dataset || {}).key !== (one.dataset || {}).key) {
        old.insertBefore(one, at);
        continue;
      }
      if (same === at) { at = at.nextSibling; } else { old.insertBefore(same, at); }
      if (one.nodeType !== Node.ELEMENT_NODE) {
        if (same.data !== one.data) { same.data = one.data; }
        continue;
      }
      turnAttributes(same, one);
      if (!same.classList.contains("plot")) { turnInto(same, one); }
    }
    while (at) { const gone = at; at = at.nextSibling; gone.remove(); }
  }
  function turnAttributes(old, next) {
    for (const {name} of [...old.attributes]) {
      if (!next.hasAttribute(name) && name !== "open") { old.removeAttribute(name); }
    }
    for (const {name, value} of next.attributes) {
      if (old.getAttribute(name) === value) { continue; }
      old.setAttribute(name, value);
      if (name === "value" && old.nodeName === "INPUT") { old.value = value; }
    }
    if (old.nodeName === "OPTION") { old.selected = next.hasAttribute("selected"); }
  }

  // when the server has gone, say so; when it is back, go on where the page was
  let gone = false;
  setInterval(() => {
    if (document.hidden) { return; }
    fetch("/alive", {cache: "no-store"}).then((answer) => {
      if (answer.status === 401) { location.href = "/enter"; return; }
      if (gone && answer.ok) { location.reload(); }
    }).catch(() => {
      gone = true;
      document.body.classList.add("gone");
      say("The server does not answer. Start it again; this page then goes on by itself.");
    });
  }, 2000);
}());

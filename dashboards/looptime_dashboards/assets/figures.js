"use strict";
// Figures. Each place holds its figure as JSON. What lies within the window is drawn at once, the
// rest when there is time; a figure that comes back changed is turned into the new one.

window.looptimePlots = (function () {
  const config = {displayModeBar: false, displaylogo: false, doubleClick: false};
  const drawn = new Map(); // place: what is drawn there, as text
  const places = document.getElementsByClassName("plot");
  const chosen = {click: () => {}, range: () => {}};

  function draw(place) {
    const text = place.dataset.figure;
    if (!window.Plotly || drawn.get(place) === text || !place.isConnected) { return; }
    const isNew = !drawn.has(place);
    drawn.set(place, text);
    const figure = JSON.parse(text);
    if (isNew) { place.replaceChildren(document.createElement("div")); }
    const inside = place.firstChild;
    inside.style.height = "100%";
    window.Plotly.react(inside, figure.data, fitted(figure.layout, place.clientWidth), config);
    if (!isNew) { return; }
    inside.on("plotly_click", (event) => chosen.click(place.dataset.key, event.points || []));
    inside.on("plotly_selected", (event) => {
      if (event && event.range && event.range.x) { chosen.range(place.dataset.key, event.range.x); }
      else if (event) { chosen.click(place.dataset.key, event.points || []); }
    });
    sizes.observe(place);
  }

  // on a phone, labels must leave room for what they are about
  function fitted(given, width) {
    if (width >= NARROW) { return given; }
    const layout = Object.assign({}, given, {font: Object.assign({}, given.font, {size: 11})});
    layout.margin = Object.assign({}, given.margin);
    for (const name of ["xaxis", "yaxis"]) {
      const axis = layout[name] = Object.assign({}, given[name]);
      axis.title = Object.assign({}, axis.title, {font: {size: 11}});
    }
    if (layout.yaxis.ticktext) {
      layout.margin.l = 8 + Math.round(0.83 * (given.margin.l - 14)); // smaller type, less room
    }
    layout.margin.r = Math.round(0.87 * given.margin.r);
    const room = width - layout.margin.l - layout.margin.r;
    layout.xaxis.title.text = cut(layout.xaxis.title.text || "", Math.round(room / 6));
    return layout;
  }
  const NARROW = 520;
  function cut(text, longest) {
    const at = text.lastIndexOf(" ", longest);
    return text.length <= longest || at < 1 ? text : text.slice(0, at) + "<br>" + text.slice(at + 1);
  }

  const sizes = new ResizeObserver((changed) => {
    for (const {target} of changed) {
      const inside = target.firstChild;
      const width = inside && inside._fullLayout && inside._fullLayout.width;
      if (!width || Math.abs(width - target.clientWidth) <= 1) { continue; }
      if (width < NARROW !== target.clientWidth < NARROW) { drawn.set(target, ""); draw(target); }
      window.Plotly.Plots.resize(inside);
    }
  });

  const isWithin = (place) => {
    const at = place.getBoundingClientRect();
    return at.top < window.innerHeight && at.bottom > 0;
  };

  const later = window.requestIdleCallback || ((act) => setTimeout(act, 30));
  let waits = false;
  function rest() {
    waits = false;
    const next = [...places].filter((place) => drawn.get(place) !== place.dataset.figure);
    if (!next.length || !window.Plotly) { return; }
    draw(next.find(isWithin) || next[0]);
    if (next.length > 1) { wait(); }
  }
  function wait() {
    if (!waits) { waits = true; later(rest, {timeout: 500}); }
  }

  function refresh() {
    for (const place of [...drawn.keys()].filter((p) => !p.isConnected)) {
      sizes.unobserve(place);
      drawn.delete(place);
      if (place.firstChild) { window.Plotly.purge(place.firstChild); }
    }
    const next = [...places].filter((place) => drawn.get(place) !== place.dataset.figure);
    next.filter(isWithin).forEach(draw);
    if (next.length) { wait(); }
  }

  // a picture to send looks like the page it was taken from, and says what it shows
  function png(place, title) {
    draw(place);
    const inside = place.firstChild;
    if (!inside || !window.Plotly) { return Promise.resolve(null); }
    const given = JSON.parse(place.dataset.figure).layout; // there is room for all, on a phone too
    const layout = pngLayout(given, title);
    return window.Plotly.toImage({data: inside.data, layout},
      {format: "png", width: 1100, height: place.clientHeight + layout.margin.t - given.margin.t,
        scale: 2});
  }
  function pngLayout(given, title) {
    const style = getComputedStyle(document.documentElement);
    const [ink, ground, line] = ["--ink", "--raised", "--line"].map((n) => style.getPropertyValue(n).trim());
    const lines = inLines(title, 120);
    const layout = Object.assign({}, given, {
      paper_bgcolor: ground, plot_bgcolor: ground, autosize: false,
      font: Object.assign({}, given.font, {color: ink}),
      margin: Object.assign({}, given.margin, {t: given.margin.t + 20 + 22 * lines.length}),
      title: {text: lines.join("<br>"), font: {size: 16, color: ink}, x: 0, xref: "paper", xanchor: "left",
        y: 1, yref: "container", yanchor: "top", pad: {t: 14}, automargin: false},
    });
    for (const name of Object.keys(given).filter((n) => /^[xy]axis/.test(n))) {
      layout[name] = Object.assign({}, given[name], {gridcolor: line});
    }
    return layout;
  }
  function inLines(text, longest) {
    const lines = [""];
    for (const word of text.split(" ")) {
      if ((lines[lines.length - 1] + " " + word).length > longest) { lines.push(""); }
      lines[lines.length - 1] = (lines[lines.length - 1] + " " + word).trim();
    }
    return lines.map((one) => one.replace(/&/g, "&amp;").replace(/</g, "&lt;"));
  }

  const all = () => { for (const place of places) { draw(place); } };
  // paper is narrower than most screens, and figures do not narrow by themselves in time
  function paper(on) {
    document.body.classList.toggle("on-paper", on);
    all();
    for (const {firstChild: inside, clientWidth: width} of drawn.keys()) {
      if (inside && inside._fullLayout) { window.Plotly.relayout(inside, {width: on ? width : null, autosize: !on}); }
    }
  }
  window.addEventListener("beforeprint", () => paper(true));
  window.addEventListener("afterprint", () => paper(false));
  document.addEventListener("scroll", () => wait(), {passive: true});
  const script = document.getElementById("plotly");
  if (script) { script.addEventListener("load", refresh); }
  return {refresh, draw, chosen, png, pngLayout};
}());

"use strict";
// Figures: each place holds its figure as JSON, and is drawn when it comes near to the window.

window.looptimePlots = (function () {
  const NARROW = 520; // below it, labels must leave room for what they are about [px]
  const config = {displayModeBar: false, displaylogo: false, doubleClick: false};
  const places = document.getElementsByClassName("plot");
  const chosen = {click: () => {}, range: () => {}};

  // larger type makes all of a figure larger, as it does the text around it
  function draw(place) {
    const zoom = parseFloat(getComputedStyle(document.documentElement).fontSize) / 16;
    const [width, height] = [place.clientWidth / zoom, place.clientHeight / zoom];
    const [now, before] = [[width, height, zoom, place.dataset.figure].join(), place.drawn];
    if (!window.Plotly || !width || now === before) { return; }
    place.drawn = now;
    const {data, layout, narrow} = JSON.parse(place.dataset.figure);
    if (!before) { place.replaceChildren(document.createElement("div")); }
    const inside = place.firstChild;
    inside.style.cssText = zoom === 1 ? "" : `transform:scale(${zoom});transform-origin:0 0`;
    const fitted = Object.assign(layout, width < NARROW ? narrow : {}, {width, height});
    window.Plotly.react(inside, data, fitted, config);
    if (before) { return; }
    inside.on("plotly_click", (event) => chosen.click(place.dataset.key, event.points || []));
    inside.on("plotly_selected", (event) => {
      if (event && event.range && event.range.x) { chosen.range(place.dataset.key, event.range.x); }
    });
  }

  const near = new IntersectionObserver((seen) => {
    for (const {target, isIntersecting} of seen) {
      target.near = isIntersecting;
      if (isIntersecting) { draw(target); }
    }
  }, {rootMargin: "500px"});
  const sizes = new ResizeObserver((changed) => changed.forEach(({target}) => {
    if (target.near) { draw(target); }
  }));

  function refresh() {
    for (const place of places) {
      if (place.near) { draw(place); }
      if (place.near !== undefined) { continue; }
      place.near = false;
      near.observe(place);
      sizes.observe(place);
    }
  }

  // a picture to send looks like the page it was taken from, and says what it shows
  function png(place, filename) {
    const {data, layout, png: sent} = JSON.parse(place.dataset.figure);
    const style = getComputedStyle(document.documentElement);
    const [ink, ground, line] = ["--ink", "--raised", "--line"].map((n) => style.getPropertyValue(n).trim());
    const template = {layout: {font: {color: ink}, xaxis: {gridcolor: line}, yaxis: {gridcolor: line}}};
    const ours = Object.assign(layout, sent, {template, paper_bgcolor: ground, plot_bgcolor: ground});
    window.Plotly.downloadImage({data, layout: ours}, {format: "png", width: sent.width, height: sent.height, scale: 2, filename});
  }

  // paper is narrower than most screens
  const paper = (on) => { document.body.classList.toggle("on-paper", on); [...places].forEach(draw); };
  window.addEventListener("beforeprint", () => paper(true));
  window.addEventListener("afterprint", () => paper(false));
  document.getElementById("plotly")?.addEventListener("load", refresh);
  return {refresh, chosen, png};
}());

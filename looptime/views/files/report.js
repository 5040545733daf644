"use strict";
const figures = JSON.parse(document.getElementById("figures").textContent);
const drawn = {};
const settings = {displayModeBar: false, responsive: true, displaylogo: false};
function save(name, type, text) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], {type: type}));
  link.download = name; link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}
for (const plot of document.querySelectorAll(".plot")) {
  const one = figures[plot.id];
  if (one.data.length) { drawn[plot.id] = Plotly.newPlot(plot, one.data, one.layout, settings); }
}
for (const button of document.querySelectorAll("button[data-csv]")) {
  button.addEventListener("click", () => save(button.dataset.csv + ".csv", "text/csv",
    "\ufeff" + figures[button.dataset.csv].csv));
}
for (const button of document.querySelectorAll("button[data-png]")) {
  button.addEventListener("click", () => {
    const one = figures[button.dataset.png];
    const page = Object.assign({}, one.layout, {paper_bgcolor: "#ffffff",
      title: {text: one.title, font: {size: 15}, x: 0.02}, autosize: false,
      margin: Object.assign({}, one.layout.margin, {t: 56})});
    Plotly.toImage({data: one.data, layout: page},
      {format: "png", width: 1000, height: (one.layout.height || 320) + 40, scale: 2})
      .then((url) => { const link = document.createElement("a"); link.href = url;
        link.download = button.dataset.png + ".png"; link.click(); });
  });
}
// paper is narrower than most screens: there figures are drawn for its width, then set smaller
function resize(paper) {
  for (const id of Object.keys(drawn)) {
    const pair = document.getElementById(id).closest(".pair"), high = figures[id].layout.height;
    const size = paper ? {width: pair ? 466 : 955, autosize: false} : {width: null, autosize: true};
    const names = (figures[id].layout.yaxis || {}).ticktext || [];
    size.height = paper && pair ? Math.min(high, Math.max(300, 70 + 16 * names.length)) : high;
    if (figures[id].keyed) { size.showlegend = !paper; size["margin.t"] = paper ? 16 : 46; }
    Plotly.relayout(id, size);
    Plotly.relayout(id, {"legend.x": 0});  // a key that needs fewer lines now is placed anew
  }
}
window.addEventListener("beforeprint", () => resize(true));
window.addEventListener("afterprint", () => resize(false));
Promise.all(Object.values(drawn)).then(() => { document.body.dataset.drawn = "yes"; });

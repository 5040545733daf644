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
// paper is narrower than most screens: the figures are set to its width before they are printed
function resize(width) {
  for (const id of Object.keys(drawn)) {
    Plotly.relayout(id, width ? {width: width, autosize: false} : {width: null, autosize: true});
  }
}
window.addEventListener("beforeprint", () => resize(690));
window.addEventListener("afterprint", () => resize(0));
Promise.all(Object.values(drawn)).then(() => { document.body.dataset.drawn = "yes"; });

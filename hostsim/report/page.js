const figures = JSON.parse(document.getElementById('figures').textContent);
const touch = matchMedia('(pointer: coarse)').matches;
const config = {displayModeBar: false};
const drawn = [...document.querySelectorAll('.figure')];
for (const place of drawn) {
  const figure = figures[place.id];
  if (touch) figure.layout.dragmode = false;
  let width = place.clientWidth;
  Plotly.newPlot(place, figure.data, figure.layout, config).then(() => new ResizeObserver(() => {
    if (place.clientWidth !== width) { width = place.clientWidth; Plotly.Plots.resize(place); }
  }).observe(place));
}
addEventListener('beforeprint', () => {
  document.querySelectorAll('details').forEach(one => { one.open = true; });
  drawn.forEach(place => Plotly.relayout(place, {autosize: false, width: 880}));
});
addEventListener('afterprint', () => drawn.forEach(place => Plotly.relayout(place, {autosize: true, width: null})));

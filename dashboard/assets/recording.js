/* The figure of the recording: when it is moved, what its window shows is asked for and drawn. The library that connects the pages would
   do so too, but takes longer over it than the drawing itself. */
window.farend_recording = (function () {
  let plot = null, asked = null, picked = {};
  let awaited = null; // what is to be pointed out once the figure is there: a row of the table can be clicked before

  const unit = () => plot.layout.meta.unit_s; // of the time axis [s]

  // The window [s] is kept in the address, so that a copied link shows the same view.
  function keep(range) {
    const search = new URLSearchParams(window.location.search);
    ["from", "to"].forEach((end, i) => (range ? search.set(end, (range[i] * unit()).toFixed(3)) : search.delete(end)));
    const text = search.toString();
    window.history.replaceState(window.history.state, "", window.location.pathname + (text ? "?" + text : ""));
  }

  async function draw() {
    if (!plot || !plot.isConnected) return;
    if (asked) asked.abort(); // what the figure shows by now is another window
    asked = new AbortController();
    const here = new URLSearchParams(window.location.search), ask = new URLSearchParams(picked), drawn = plot;
    ["from", "to"].filter((end) => here.has(end)).forEach((end) => ask.set(end, here.get(end)));
    try {
      const answer = await fetch(plot.layout.meta.again + "&" + ask, { signal: asked.signal });
      if (!answer.ok) return;
      const { data, ...layout } = await answer.json();
      if (drawn.isConnected) window.Plotly.react(drawn, data, { ...drawn.layout, ...layout }, drawn._context);
    } catch (_problem) {
      // overtaken, or no contact, which every page says by itself
    }
  }

  function moved(change) {
    if (!Object.keys(change).some((key) => key.startsWith("xaxis."))) return;
    keep(change["xaxis.autorange"] ? null : plot.layout.xaxis.range);
    draw();
  }

  const show = (from, until) => window.Plotly.relayout(plot, { "xaxis.range[0]": from / unit(), "xaxis.range[1]": until / unit() });

  new MutationObserver(function () {
    const found = document.querySelector("#recording .js-plotly-plot");
    if (!found || found === plot || !found.on) return;
    plot = found;
    plot.on("plotly_relayout", moved);
    const on = plot.on; // the other library would draw what was shown before once more: it is not told
    plot.on = (name, then) => (name === "plotly_relayout" ? plot : on(name, then));
    if (awaited) point(...awaited);
  }).observe(document.documentElement, { childList: true, subtree: true });

  // Point this out; where it has a time [s], in view.
  function point(found, time) {
    picked = found;
    awaited = plot && plot.isConnected ? null : [found, time];
    if (awaited) return;
    const [from, until] = plot.layout.xaxis.range.map((end) => end * unit());
    if (time === undefined || (time >= from && time <= until)) draw();
    else show(time - (until - from) / 2, time + (until - from) / 2);
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.recording = { draw: draw };

  return {
    unit: unit,
    show: show, // a window [s]
    // A page came, on which this is pointed out already.
    arrive: (first) => ((picked = first), (awaited = null)),
    point: point,
  };
})();

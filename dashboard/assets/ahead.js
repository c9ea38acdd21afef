/* The library that draws figures is read while the page is still asked for, or while the reader looks at one without figures, so that no
   figure need wait; and only the part of it with curves and bars: the whole takes eight times as long to read. Dash's graphs find a promise
   in its place, wait for it, and do not read the whole. */
window.Plotly = new Promise(function (read, failed) {
  const soon = window.requestIdleCallback || setTimeout;
  soon(function () {
    const script = document.createElement("script");
    script.src = "/assets/plotly-basic.min.js";
    script.onload = () => read(window.Plotly);
    script.onerror = failed;
    document.head.append(script);
  });
});

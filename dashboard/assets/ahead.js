/* The library that draws figures is large. Read it while the reader looks at a page that has none, so that the first figure need not wait. */
(function () {
  const idle = window.requestIdleCallback || ((then) => setTimeout(then, 200));

  const waiting = new MutationObserver(function () {
    if (!document.querySelector("#page > *")) return;
    waiting.disconnect();
    idle(function () {
      if (window.Plotly || document.querySelector(".dash-graph")) return;
      const script = document.createElement("script");
      script.src = window._dashPlotlyJSURL;
      script.async = true;
      document.head.append(script);
    });
  });
  waiting.observe(document.documentElement, { childList: true, subtree: true });
})();

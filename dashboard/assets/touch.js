/* A thumb on a figure: up or down scrolls the page, across picks a stretch of time to zoom to, a tap points out a value. The plotting
   library would take every touch for a drag of its own, so that a page full of figures could not be scrolled. */
(function () {
  const LEAST_PX = 24;
  let start = null;
  let lastTap = 0;

  function plotOf(target) {
    const area = target.closest && target.closest(".figure .nsewdrag");
    return area ? { area: area, plot: area.closest(".js-plotly-plot") } : null;
  }

  function band() {
    let shade = document.getElementById("touch-band");
    if (!shade) {
      shade = document.createElement("div");
      shade.id = "touch-band";
      document.body.appendChild(shade);
    }
    return shade;
  }

  document.addEventListener("touchstart", function (event) {
    const found = event.touches.length === 1 && plotOf(event.target);
    if (!found) { start = null; return; }
    event.stopImmediatePropagation();
    const touch = event.touches[0];
    start = { x: touch.clientX, y: touch.clientY, area: found.area.getBoundingClientRect(), plot: found.plot, across: false };
  }, { capture: true, passive: true });

  document.addEventListener("touchmove", function (event) {
    if (!start) return;
    event.stopImmediatePropagation();
    const touch = event.touches[0];
    const dx = Math.abs(touch.clientX - start.x), dy = Math.abs(touch.clientY - start.y);
    if (!start.across && dx > LEAST_PX && dx > 2 * dy) start.across = true;
    if (!start.across) return;
    const from = Math.max(start.area.left, Math.min(start.x, touch.clientX));
    const to = Math.min(start.area.right, Math.max(start.x, touch.clientX));
    start.from = from;
    start.to = to;
    Object.assign(band().style, { display: "block", left: from + "px", width: to - from + "px", top: start.area.top + "px", height: start.area.height + "px" });
  }, { capture: true, passive: true });

  function end(event) {
    if (!start) return;
    event.stopImmediatePropagation();
    const done = start;
    start = null;
    band().style.display = "none";
    if (event.type === "touchend" && !done.across) {
      if (event.timeStamp - lastTap < 350) window.Plotly.relayout(done.plot, { "xaxis.autorange": true });
      lastTap = event.timeStamp;
    }
    if (event.type !== "touchend" || !done.across || done.to - done.from < LEAST_PX) return;
    const axis = done.plot._fullLayout.xaxis;
    const at = (x) => axis.p2d(x - done.area.left);
    window.Plotly.relayout(done.plot, { "xaxis.range[0]": at(done.from), "xaxis.range[1]": at(done.to) });
  }
  document.addEventListener("touchend", end, { capture: true, passive: true });
  document.addEventListener("touchcancel", end, { capture: true, passive: true });
})();

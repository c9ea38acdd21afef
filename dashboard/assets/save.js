/* Save a figure: as the picture that is shown, or its curves as a table. Fetch a report, which takes a while to make. */
(function () {
  // The columns of a figure: a time axis once where all curves share it, else a pair of columns each.
  function table(plot) {
    const columns = [];
    const title = (axis) => (axis && axis.title && axis.title.text ? axis.title.text.replace(/<[^>]*>/g, "") : "");
    plot._fullData.forEach(function (trace, i) {
      if (!trace.x || !trace.x.length) return;
      const name = trace.name && !/^trace \d+$/.test(trace.name) ? trace.name : "curve " + (i + 1);
      columns.push([title(plot._fullLayout.xaxis) || "x", Array.from(trace.x)]);
      columns.push([name + (title(plot._fullLayout.yaxis) ? ", " + title(plot._fullLayout.yaxis) : ""), Array.from(trace.y)]);
    });
    const cell = (value) => {
      if (value === null || value === undefined || Number.isNaN(value)) return "";
      const text = String(value);
      return /[",\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
    };
    const rows = [columns.map((c) => cell(c[0])).join(",")];
    const longest = Math.max(0, ...columns.map((c) => c[1].length));
    for (let i = 0; i < longest; i++) rows.push(columns.map((c) => cell(c[1][i])).join(","));
    return rows.join("\n") + "\n";
  }

  function give(blob, name) {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    link.click();
    URL.revokeObjectURL(link.href);
  }

  document.addEventListener("click", function (event) {
    const button = event.target.closest("[data-save]");
    if (!button) return;
    const menu = button.closest("details");
    const plot = menu.parentElement.querySelector(".js-plotly-plot");
    const form = button.dataset.save;
    menu.open = false;
    if (!plot) return;
    if (form === "csv") give(new Blob([table(plot)], { type: "text/csv" }), "farend.csv");
    else window.Plotly.downloadImage(plot, { format: form, filename: "farend", width: 1100, height: 620, scale: form === "png" ? 2 : 1 });
  });

  document.addEventListener("click", async function (event) {
    const link = event.target.closest("a[data-report]");
    if (!link) return;
    event.preventDefault();
    const said = link.parentElement.querySelector("[role=status]");
    if (said.dataset.busy) return;
    said.dataset.busy = "yes";
    said.textContent = "The report is being made …";
    try {
      const { point } = document.documentElement.dataset;
      const answer = await fetch(link.href + (point ? "&point=" + point : ""));
      if (answer.ok) give(await answer.blob(), link.download);
      said.textContent = answer.ok ? "" : "There is no report: " + (await answer.text());
    } catch {
      said.textContent = "There is no report: farend does not answer.";
    }
    delete said.dataset.busy;
  });

  // A menu that is open closes when something else is pressed.
  document.addEventListener("click", function (event) {
    document.querySelectorAll("details.take-away[open]").forEach((menu) => {
      if (!menu.contains(event.target)) menu.open = false;
    });
  });
})();

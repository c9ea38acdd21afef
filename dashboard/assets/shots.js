/* The Shots page: one shot is picked, by its mark, by its row or by stepping; the mark, the row and the address show which. */
(function () {
  let times = []; // of the shots [s]
  let table = null; // of the shots, once it is there
  let picked = {}; // as the store of that name has it, or will have it once the page has caught up with quick keys

  // Pick a shot: keep it in the address, bring its mark and its row into view.
  function choose(found) {
    picked = found;
    if (found.shot !== undefined) {
      const search = new URLSearchParams(window.location.search);
      search.set("shot", found.shot + 1);
      window.history.replaceState(window.history.state, "", window.location.pathname + "?" + search.toString());
    }
    window.farend_recording.point(found, times[found.shot]);
    bringRow();
    window.dash_clientside.set_props("picked", { data: found });
  }

  function bringRow() {
    const id = picked.shot === undefined ? "" : String(picked.shot + 1);
    if (!table || table.isDestroyed()) return;
    window.dash_clientside.set_props("shot-table", { selectedRows: { ids: id ? [id] : [] } });
    const row = table.getRowNode(id);
    if (row) table.ensureNodeVisible(row);
  }

  // The table lists its rows some time after the page came, and forgets what was selected before: select until it holds.
  function bringFirstRow(first, held, tries) {
    if (picked !== first || !tries || table.isDestroyed()) return;
    const box = (part) => document.querySelector("#shot-table " + part)?.getBoundingClientRect();
    const row = box(".ag-row-selected"), view = box(".ag-body-viewport");
    const holds = Boolean(row && view && row.top >= view.top - 1 && row.bottom <= view.bottom + 1);
    if (!holds && table.getRowNode(String(first.shot + 1))) bringRow();
    if (!holds || held < 3) setTimeout(bringFirstRow, 150, first, holds ? held + 1 : 0, tries - 1);
  }

  // To the next shot, or the one before; from a moment of the curve, to the one beside it.
  function step(by) {
    const at = picked.at === undefined ? picked.out : picked.at;
    const from = picked.shot === undefined ? times.filter((t) => t < at).length - (by > 0) : picked.shot;
    const to = Math.min(Math.max(from + by, 0), times.length - 1);
    if (to >= 0 && to !== picked.shot) choose({ shot: to });
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.shots = {
    // A page came: what it has picked, before anybody touched it.
    arrive: function (shotTimes, first) {
      times = shotTimes || [];
      picked = first || {};
      window.farend_recording.arrive(picked);
      table = null;
      if (picked.shot !== undefined) {
        window.dash_ag_grid.getApiAsync("shot-table").then(function (grid) {
          table = grid;
          bringFirstRow(picked, 0, 60);
        });
      }
      return window.dash_clientside.no_update;
    },

    // A mark was clicked, or the curve; forgotten at once, so that the same one can be clicked again.
    click: function (clicked) {
      if (!clicked || !clicked.points || !clicked.points.length) return;
      const point = clicked.points[0], [meaning, ...what] = point.customdata || [];
      window.dash_clientside.set_props("recording", { clickData: null });
      document.activeElement.blur(); // the arrow keys are the figure's from now on, no longer the table's
      if (point.curveNumber === 0) choose({ at: point.x * window.farend_recording.unit() });
      else if (meaning === "shot") choose({ shot: what[0] });
      else if (meaning === "out") choose({ out: what[0] });
      else if (meaning === "many") {
        const room = Math.max(0.15 * (what[1] - what[0]), 1);
        window.farend_recording.show(what[0] - room, what[1] + room);
      }
    },
  };

  window.dashAgGridFunctions = window.dashAgGridFunctions || {};
  // A row that the reader selects, by a click or the space bar; not one that was selected from here.
  window.dashAgGridFunctions.shotSelected = function (event) {
    const row = event.source === "api" ? null : event.api.getSelectedNodes()[0];
    if (row && row.data.shot - 1 !== picked.shot) choose({ shot: row.data.shot - 1 });
  };

  document.addEventListener("click", function (event) {
    const button = event.target.closest && event.target.closest("#shot-panel button[data-step]");
    if (button) step(Number(button.dataset.step));
  });

  // The arrow keys step from shot to shot, unless they are wanted elsewhere: in a field, in the table.
  document.addEventListener("keydown", function (event) {
    if (event.key !== "ArrowLeft" && event.key !== "ArrowRight" || event.altKey || event.ctrlKey || event.metaKey) return;
    if (event.target.closest && event.target.closest("input, textarea, select, .ag, [role=radiogroup], .table")) return;
    if (!document.getElementById("shot-panel")) return;
    event.preventDefault();
    step(event.key === "ArrowLeft" ? -1 : 1);
  });
})();

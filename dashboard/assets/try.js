/* Sliders that answer while they are dragged. One question at a time is on its way; the newest replaces those not asked yet. */
(function () {
  const REST_MS = 600; // a hand that rests this long has chosen
  const tried = { wanted: null, answered: null, busy: false, timer: 0, held: false, ms: [] };
  window.farend_tried = tried; // read by the tests: how long each answer took

  document.addEventListener("pointerdown", () => { tried.held = true; }, true);
  ["pointerup", "pointercancel"].forEach((kind) => document.addEventListener(kind, () => { tried.held = false; }, true));

  async function ask() {
    if (tried.busy) return;
    tried.busy = true;
    try {
      while (tried.wanted !== null && tried.wanted !== tried.answered) {
        const wanted = tried.wanted;
        const began = performance.now();
        const reply = await fetch("/receiver/try?" + wanted);
        if (!reply.ok) break;
        const told = await reply.json();
        tried.answered = wanted;
        if (!document.getElementById("tried-words")) break; // another page by now
        const set = window.dash_clientside.set_props;
        set("tried-words", { children: told.words });
        if (told.figure) set("tried-figure", { figure: told.figure });
        Object.entries(told.shown).forEach(([name, text]) => set({ tried: name }, { children: text }));
        tried.ms.push(performance.now() - began);
      }
    } finally {
      tried.busy = false;
    }
  }

  function rest() {
    clearTimeout(tried.timer);
    tried.timer = setTimeout(function () {
      if (tried.held || tried.busy) return rest();
      if (tried.wanted === null || window.location.pathname !== "/receiver") return undefined;
      const search = new URLSearchParams(tried.wanted);
      search.delete("unit");
      tried.wanted = tried.answered = null;
      const text = search.toString();
      keep_focus(document.activeElement);
      window.dash_clientside.set_props("url", { search: text ? "?" + text : "" });
      return undefined;
    }, REST_MS);
  }

  // The page is made anew: whoever moves a slider by keyboard goes on with the same one.
  function keep_focus(old) {
    if (!old || old.getAttribute("role") !== "slider") return;
    const name = old.getAttribute("aria-label");
    let tries = 0;
    const again = setInterval(function () {
      const moved_on = document.activeElement !== old && document.activeElement !== document.body;
      const now = Array.from(document.querySelectorAll("[role=slider]")).find((s) => s.getAttribute("aria-label") === name);
      if (!moved_on && now && now !== old) now.focus({ preventScroll: true });
      if (moved_on || (now && now !== old) || ++tries > 600) clearInterval(again); // a slow page may take its time
    }, 50);
  }

  window.dash_clientside = window.dash_clientside || {};
  window.dash_clientside.farend = Object.assign(window.dash_clientside.farend || {}, {
    try_out: function (values, ids, unit) {
      const no_update = window.dash_clientside.no_update;
      const search = new URLSearchParams(window.location.search);
      let moved = false;
      ids.forEach(function (id, i) {
        if (values[i] === id.start || values[i] === undefined || values[i] === null) return;
        moved = true;
        search.set(id.try, id.unit ? values[i] + " " + id.unit : String(values[i]));
      });
      if (!moved && tried.wanted === null) return no_update;
      search.set("unit", unit);
      tried.wanted = search.toString();
      const page = document.querySelector("main .page");
      if (page) page.classList.add("outdated");
      ask();
      rest();
      return no_update;
    },
  });
})();

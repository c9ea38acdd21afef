/* What only the browser can do: the page's address. Own file, no outside code. */
/* The library names the drop zone's input for nobody; a screen reader needs a name. */
new MutationObserver(function () {
  const input = document.querySelector("#files input[type=file]:not([aria-label])");
  if (input) input.setAttribute("aria-label", "CSV files to bring in");
}).observe(document.documentElement, { childList: true, subtree: true });

/* Pictures of a long list, and words that take some work, are asked for once, when they come near the view. */
const near = new IntersectionObserver(function (seen) {
  seen.filter((s) => s.isIntersecting).forEach(async function ({ target }) {
    near.unobserve(target);
    const { src, text } = target.dataset;
    if (src) { target.src = src; return; }
    const answer = await fetch(text).catch(() => null);
    if (answer && answer.ok && target.dataset.text === text) target.textContent = await answer.text();
  });
}, { rootMargin: "600px" });
new MutationObserver(function (changes) {
  changes.filter((c) => c.type === "attributes").forEach(function ({ target }) {
    target.removeAttribute("src");
    if (target.dataset.text) target.textContent = "";
    delete target.dataset.asked;
  });
  document.querySelectorAll("img[data-src]:not([data-asked]), [data-text]:not([data-asked])").forEach(function (place) {
    place.dataset.asked = "";
    near.observe(place);
  });
}).observe(document.documentElement, { childList: true, subtree: true, attributeFilter: ["data-src", "data-text"] });

/* Choices that mean nothing any more when another one is changed: a sensor is one of its session, a shot one of its sensor. */
const HANGS_ON = {
  session: ["channel", "from", "to", "shot"],
  channel: ["from", "to", "shot"],
  before: ["sensor_before"],
  after: ["sensor_after"],
};

/* A session is ticked to be compared, or all are unticked. */
let ticked = [];
const tell_ticked = function (names) {
  ticked = names;
  window.dash_clientside.set_props("ticked", { data: names });
};
document.addEventListener("change", function ({ target }) {
  if (!target.matches(".pick input")) return;
  const name = JSON.parse(target.id).pick;
  tell_ticked([...ticked.filter((other) => other !== name), ...(target.checked ? [name] : [])]);
});
document.addEventListener("click", function ({ target }) {
  if (target.closest("#untick")) tell_ticked([]);
});

window.dash_clientside = window.dash_clientside || {};
window.dash_clientside.farend = {
  // One address for the server: path and search as the browser has them (zooming rewrites the search without a reload), and what the
  // reader chose for all pages.
  here: function (pathname, _search, unit, reader) {
    window.farend_numbers((reader || {}).point);
    return { path: pathname, search: window.location.search, unit: unit, tariff: String((reader || {}).tariff || "") };
  },

  // The reader's choices, kept in this browser.
  prefer: function (point, tariff) {
    return { point: point, tariff: typeof tariff === "number" ? tariff : null };
  },

  // A control changed: write it into the search, unless it says what is there already.
  choose: function (values, ids) {
    const before = new URLSearchParams(window.location.search);
    const after = new URLSearchParams(window.location.search);
    after.delete("kept");
    before.delete("kept");
    const stale = [];
    ids.forEach((id, i) => {
      const value = values[i] === null || values[i] === undefined ? "" : String(values[i]);
      if (value === "" || value === id.default) after.delete(id.query);
      else after.set(id.query, value);
      if (value !== (before.get(id.query) || id.default)) stale.push(...(HANGS_ON[id.query] || []));
    });
    stale.forEach((key) => after.delete(key));
    before.sort();
    after.sort();
    return after.toString() === before.toString() ? window.dash_clientside.no_update : (after.toString() ? "?" + after.toString() : "");
  },

  // What the page shows has changed on disk: ask for it again, with the address as the browser has it now.
  again: function (changed, address) {
    if (!changed) return window.dash_clientside.no_update;
    return { path: address.path, search: window.location.search, unit: address.unit };
  },

  // The sessions that are ticked to be compared are known to the shell: the list is shown page by page, and anew.
  tick: function (ids, ticked) {
    return ids.map((id) => ticked.includes(id.pick));
  },

  // Arrived at a page: mark it in the list of pages, name it in the window's title, begin at its top.
  arrive: function (address) {
    if (!address) return window.dash_clientside.no_update;
    const path = address.path === "/" ? "/sessions" : address.path;
    const settle = function () {
      document.querySelectorAll(".pages a").forEach((link) => {
        if (link.getAttribute("href") === path) link.setAttribute("aria-current", "page");
        else link.removeAttribute("aria-current");
        if (link.matches(".phone-only")) link.classList.toggle("holds", Boolean(document.querySelector(`.pages .desktop-only[href="${path}"]`)));
      });
      const here = document.querySelector('.pages a[aria-current="page"] .long');
      document.title = here ? here.textContent + " – farend" : "farend";
    };
    settle();
    window.requestAnimationFrame(settle);
    if (window.farend_path !== path) window.scrollTo(0, 0);
    window.farend_path = path;
    return path;
  },

  // Sensors need names of their own where several are chosen.
  several: function (ports, other) {
    return (ports || []).length + (other ? 1 : 0) > 1 ? "sensors several" : "sensors";
  },

  print: function (clicks) {
    if (clicks) window.print();
    return window.dash_clientside.no_update;
  },
};

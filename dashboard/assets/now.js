/* The Now page: follows the feed, puts what it is told into its places, draws the trace, and raises the alarm. It computes nothing. */
(function () {
  const RETRY_MS = 1000, SILENT_MS = 3000, LATE_MS = 2000, AGAIN_MS = 5000;
  let followed = null;

  new MutationObserver(function () {
    const root = document.getElementById("now");
    if (root && root !== followed) { followed = root; follow(root); }
    if (!root) followed = null;
  }).observe(document.documentElement, { childList: true, subtree: true });

  const pause = (ms) => new Promise((done) => setTimeout(done, ms));

  async function follow(root) {
    const seen = { t: [], p: [], fired: [], until: 0, message: null, alerts: "", alarmed: 0, lag: Infinity };
    new ResizeObserver(() => draw(root, seen)).observe(root.querySelector("#now-trace"));
    while (root.isConnected) {
      await listen(root, seen);
      if (root.isConnected) { window.farend_contact.check(); await pause(RETRY_MS); }
    }
  }

  async function listen(root, seen) {
    const stop = new AbortController();
    let silent = setTimeout(() => stop.abort(), SILENT_MS);
    const search = new URLSearchParams(window.location.search);
    search.set("unit", root.dataset.unit);
    seen.t = []; seen.p = []; seen.lag = Infinity;
    try {
      const answer = await fetch("/live?" + search.toString(), { signal: stop.signal, cache: "no-store" });
      if (!answer.ok) return;
      const reader = answer.body.getReader(), text = new TextDecoder();
      let rest = "";
      for (;;) {
        const { done, value } = await reader.read();
        if (done || !root.isConnected) break;
        clearTimeout(silent);
        silent = setTimeout(() => stop.abort(), SILENT_MS);
        const lines = (rest + text.decode(value, { stream: true })).split("\n");
        rest = lines.pop();
        if (lines.length && !take(root, seen, lines.map((line) => JSON.parse(line)))) break;
      }
    } catch (problem) {
      if (problem.name !== "AbortError" && problem.name !== "TypeError") throw problem;
    } finally {
      clearTimeout(silent);
      stop.abort();
    }
  }

  // False when the network cannot keep up: what is under way then is old, and asking anew leaves it behind.
  function take(root, seen, messages) {
    const last = messages[messages.length - 1];
    const lag = Date.now() - 1000 * last.sent;
    seen.lag = Math.min(seen.lag, lag);
    messages.forEach((message) => gather(seen, message));
    seen.message = last;
    if (root.dataset.state !== last.state) {
      if (root.dataset.state === "live") ended(root, seen.session);
      root.dataset.state = last.state;
    }
    seen.session = last.session || seen.session;
    Object.entries(last.texts).forEach(([key, text]) => put(root.querySelector('[data-now="' + key + '"]'), text));
    alarm(root, seen, last.alerts);
    window.requestAnimationFrame(() => draw(root, seen));
    return lag - seen.lag < LATE_MS;
  }

  function put(place, text) {
    if (place && place.textContent !== text) place.textContent = text;
  }

  function gather(seen, message) {
    if (!message.trace) { seen.t = []; seen.p = []; return; }
    const [t, p] = message.trace;
    if (t.length && seen.t.length && t[0] <= seen.t[seen.t.length - 1]) { seen.t = []; seen.p = []; }
    seen.t.push(...t);
    seen.p.push(...p);
    let old = 0;
    while (old < seen.t.length && seen.t[old] < message.until - message.shown) old += 1;
    seen.t.splice(0, old);
    seen.p.splice(0, old);
  }

  function ended(root, session) {
    const place = root.querySelector("#now-ended");
    const link = document.createElement("a");
    link.href = session || "/sessions";
    link.className = "button strong";
    link.textContent = "Its shots";
    place.replaceChildren("The recording is kept. ", link);
    document.getElementById("ports-look").click();
    window.scrollTo(0, 0);
    ["#stop-said", "#mark-said", "#judge-said"].forEach((id) => put(root.querySelector(id), ""));
  }

  // Alerts

  function alarm(root, seen, alerts) {
    const kinds = alerts.map((a) => a.kind).join();
    const shown = JSON.stringify(alerts);
    if (shown !== seen.alerts) {
      seen.alerts = shown;
      root.querySelector("#now-alerts").replaceChildren(...alerts.map((a) => {
        const line = document.createElement("p");
        line.textContent = a.text;
        return line;
      }));
      root.dataset.alert = kinds;
    }
    const loud = alerts.some((a) => a.kind !== "finishing");
    if (!loud) { seen.alarmed = 0; return; }
    if (seen.kinds === kinds && Date.now() - seen.alarmed < AGAIN_MS) return;
    seen.kinds = kinds;
    seen.alarmed = Date.now();
    const on = (name) => { const box = document.getElementById("now-" + name); return box && box.checked; };
    if (on("sound")) { beep(); root.dataset.sounded = String(Number(root.dataset.sounded || 0) + 1); }
    if (on("vibration") && navigator.vibrate) navigator.vibrate([300, 120, 300]);
  }

  let audio = null;
  function beep() {
    audio = audio || new AudioContext();
    [0, 0.22].forEach((after, i) => {
      const tone = audio.createOscillator(), level = audio.createGain(), at = audio.currentTime + after;
      tone.frequency.value = i ? 660 : 880;
      level.gain.setValueAtTime(0.4, at);
      level.gain.exponentialRampToValueAtTime(0.001, at + 0.2);
      tone.connect(level).connect(audio.destination);
      tone.start(at);
      tone.stop(at + 0.2);
    });
  }
  // A browser lets a page sound only after it was touched.
  document.addEventListener("pointerdown", () => { if (audio && audio.state === "suspended") audio.resume(); }, { passive: true });
  document.addEventListener("change", (event) => {
    if (event.target.id === "now-sound" && event.target.checked) beep();
    if (event.target.id === "now-vibration" && event.target.checked && navigator.vibrate) navigator.vibrate(150);
  });

  // The trace

  function draw(root, seen) {
    const canvas = root.querySelector("#now-trace");
    const width = canvas.clientWidth, height = canvas.clientHeight, scale = window.devicePixelRatio || 1;
    if (!width || !seen.message || !seen.message.trace) return;
    if (canvas.width !== Math.round(width * scale)) canvas.width = Math.round(width * scale);
    if (canvas.height !== Math.round(height * scale)) canvas.height = Math.round(height * scale);
    const pen = canvas.getContext("2d"), style = getComputedStyle(root), colour = (name) => style.getPropertyValue(name).trim();
    const { until, shown, unit, window: band, fired } = seen.message;
    const left = 44, right = 10, top = 28, bottom = 26;
    const [low, high, step] = range(seen, band);
    const x = (t) => left + (width - left - right) * (1 - (until - t) / shown);
    const y = (p) => top + (height - top - bottom) * (high - p) / (high - low);
    pen.setTransform(scale, 0, 0, scale, 0, 0);
    pen.clearRect(0, 0, width, height);
    pen.font = "12px system-ui, sans-serif";
    if (band) {
      pen.fillStyle = colour("--good-ground");
      pen.fillRect(left, y(Math.min(band[1], high)), width - left - right, y(Math.max(band[0], low)) - y(Math.min(band[1], high)));
    }
    pen.lineWidth = 1;
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    for (let p = low; p <= high + step / 2; p += step) {
      pen.strokeStyle = colour("--grid");
      pen.beginPath(); pen.moveTo(left, y(p)); pen.lineTo(width - right, y(p)); pen.stroke();
      pen.fillStyle = colour("--soft");
      pen.fillText(p.toFixed(step < 1 ? 1 : 0), left - 6, y(p));
    }
    pen.textBaseline = "alphabetic";
    pen.textAlign = "left";
    pen.fillText("gauge pressure [" + unit + "]", 4, 12);
    pen.fillText("20 s ago", left, height - 8);
    pen.textAlign = "right";
    pen.fillText("now", width - right, height - 8);
    pen.save();
    pen.beginPath(); pen.rect(left, 0, width - left - right, height - bottom + 4); pen.clip();
    pen.strokeStyle = colour("--accent");
    pen.lineWidth = 2;
    pen.lineJoin = "round"; // a mitre at each sharp turn would show more noise than there is
    pen.beginPath();
    seen.t.forEach((t, i) => {
      if (i && t - seen.t[i - 1] < 1) pen.lineTo(x(t), y(seen.p[i])); else pen.moveTo(x(t), y(seen.p[i]));
    });
    pen.stroke();
    pen.fillStyle = colour("--bad");
    fired.forEach((t) => {
      pen.beginPath(); pen.moveTo(x(t), height - bottom - 8); pen.lineTo(x(t) - 5, height - bottom + 1); pen.lineTo(x(t) + 5, height - bottom + 1); pen.fill();
    });
    pen.restore();
  }

  // A round range that holds the trace and the window; it grows at once and shrinks only when twice too large, so that nothing jumps.
  function range(seen, band) {
    let low = Math.min(...seen.p, ...(band || [])), high = Math.max(...seen.p, ...(band || []));
    if (!Number.isFinite(low)) { low = 0; high = 1; }
    const old = seen.range;
    if (old && old[3] === seen.message.unit && low >= old[0] && high <= old[1] && high - low > 0.3 * (old[1] - old[0])) return old;
    const least = { psi: 10, kPa: 100 }[seen.message.unit] || 1;
    const size = Math.max(high - low, least), rough = size / 4, power = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((n) => n * power).find((n) => n >= rough);
    const middle = (low + high) / 2;
    seen.range = [step * Math.floor((Math.min(low, middle - least / 2) - 0.02 * size) / step), step * Math.ceil((Math.max(high, middle + least / 2) + 0.02 * size) / step), step, seen.message.unit];
    return seen.range;
  }
})();

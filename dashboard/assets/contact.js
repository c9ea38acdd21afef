/* Whether farend still answers: when it does not, every page says so, and takes it back when it does again. */
window.farend_contact = (function () {
  const EVERY_MS = 4000, AGAIN_MS = 1000, PATIENCE_MS = 6000;
  let timer = null, lost = false;

  function say(text, link) {
    let banner = document.getElementById("contact");
    if (!text) { if (banner) banner.remove(); return; }
    if (!banner) {
      banner = document.createElement("div");
      banner.id = "contact";
      banner.setAttribute("role", "alert");
      document.body.prepend(banner);
    }
    const words = [text];
    if (link) {
      const go = document.createElement("a");
      go.href = link;
      go.textContent = "Type it";
      words.push(" ", go);
    }
    banner.replaceChildren(...words);
  }

  async function check() {
    clearTimeout(timer);
    const stop = new AbortController(), patience = setTimeout(() => stop.abort(), PATIENCE_MS);
    try {
      const answer = await fetch("/alive", { cache: "no-store", signal: stop.signal });
      lost = !answer.ok;
      if (answer.ok) say("");
      else say("farend was started anew, and its access code is another now.", "/enter");
    } catch (_problem) {
      lost = true;
      say("No contact with farend. A recording goes on without this page, which comes back by itself.");
    }
    clearTimeout(patience);
    timer = setTimeout(check, lost ? AGAIN_MS : EVERY_MS);
  }

  if (!document.getElementById("enter")) timer = setTimeout(check, EVERY_MS);
  document.addEventListener("visibilitychange", () => { if (!document.hidden) check(); });
  return { check: check };
})();

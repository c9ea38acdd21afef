/* Decimal comma: numbers in the text of a page are rewritten as they appear, so that every page, table, figure and live reading has it. */
(function () {
  // A whole part of at most three digits and decimals; not part of a longer row of numbers, such as an address or a section of a law.
  const NUMBER = /(?<![\d.,])(\d{1,3})\.(\d+)(?![\d.])/g;
  const AS_IT_IS = "input, textarea, code, pre, script, style, .formula, .as-it-is";
  let watcher = null;

  function rewrite(node) {
    if (node.nodeType === Node.TEXT_NODE) {
      const parent = node.parentElement;
      if (!parent || parent.closest(AS_IT_IS)) return;
      const text = node.nodeValue.replace(NUMBER, "$1,$2");
      if (text !== node.nodeValue) node.nodeValue = text;
      return;
    }
    const walk = document.createTreeWalker(node, NodeFilter.SHOW_TEXT);
    while (walk.nextNode()) rewrite(walk.currentNode);
  }

  window.farend_numbers = function (point) {
    const comma = point === "comma";
    if (comma === (watcher !== null)) return;
    if (!comma) {
      window.location.reload(); // what was rewritten is gone; the page is made anew
      return;
    }
    watcher = new MutationObserver(function (changes) {
      changes.forEach(function (change) {
        if (change.type === "characterData") rewrite(change.target);
        else change.addedNodes.forEach(rewrite);
      });
    });
    watcher.observe(document.body, { childList: true, characterData: true, subtree: true });
    rewrite(document.body);
    document.documentElement.dataset.point = point; // a report is to have it too
  };
})();

/* The page that asks for the access code: a scanned square brings the code behind the #, which no server and no log ever sees. */
(function () {
  function comeIn() {
    const form = document.getElementById("enter");
    if (!form || window.location.hash.length < 2) return;
    form.elements.code.value = decodeURIComponent(window.location.hash.slice(1));
    window.history.replaceState(null, "", window.location.pathname);
    form.submit();
  }
  window.addEventListener("hashchange", comeIn);
  comeIn();
})();

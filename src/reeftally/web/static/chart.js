// A still drawing becomes a live one when asked. The library interprets expressions; it never builds code from text.
"use strict";
(function () {
  var loading = null;
  function library() {
    loading = loading || new Promise(function (done, failed) {
      var s = document.createElement("script");
      s.src = "/static/drawing.js"; s.onload = done; s.onerror = failed;
      document.head.appendChild(s);
    });
    return loading;
  }
  function recoloured(text) {
    var roles = JSON.parse(document.getElementById("colours").textContent), style = getComputedStyle(document.documentElement);
    Object.keys(roles).forEach(function (from) {
      text = text.split(from).join(style.getPropertyValue("--c-" + roles[from]).trim());
    });
    return text;
  }
  document.addEventListener("click", function (event) {
    var button = event.target.closest && event.target.closest("button[data-live]");
    if (!button) { return; }
    var figure = button.closest("figure"), live = figure.querySelector(".live");
    if (!live.hidden) {
      live.hidden = true;
      figure.querySelectorAll(".still").forEach(function (s) { s.hidden = false; });
      button.textContent = "Read off values";
      return;
    }
    button.disabled = true;
    library().then(function () {
      return fetch(figure.dataset.drawing + "/spec.json");
    }).then(function (r) {
      if (!r.ok) { throw new Error("no drawing"); }
      return r.text();
    }).then(function (text) {
      var spec = JSON.parse(recoloured(text));
      live.hidden = false;
      return window.vegaEmbed(live, spec, { actions: false, ast: true, renderer: "canvas", logLevel: 1, defaultStyle: false, tooltip: { disableDefaultStyle: true } });
    }).then(function () {
      figure.querySelectorAll(".still").forEach(function (s) { s.hidden = true; });
      button.textContent = "Back to the drawing";
      button.disabled = false;
    }).catch(function () {
      live.hidden = true;
      button.textContent = "The drawing cannot be made live here";
    });
  });
})();

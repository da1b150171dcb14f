// What every page does beyond plain HTML: it hears what is new, takes itself anew, and narrows long tables.
"use strict";
(function () {
  var state = document.getElementById("state"), words = document.getElementById("state-text");
  var activity = document.getElementById("activity"), busy = false, again = false;

  function head() {
    fetch("/data/state").then(function (r) { return r.json(); }).then(function (s) {
      state.className = "state " + s.state;
      if (words.textContent !== s.text) { words.textContent = s.text; }
      activity.textContent = s.activity.text || "";
    }).catch(lost);
  }

  function lost() {
    state.className = "state stale";
    words.textContent = "This page has lost its server since " + new Date().toISOString().slice(11, 16) + " UTC; what it shows may be old.";
  }

  function inUse() {
    var at = document.activeElement;
    return (at && /^(INPUT|SELECT|TEXTAREA)$/.test(at.tagName)) || document.querySelector(".live:not([hidden])");
  }

  function anew() {
    if (document.body.dataset.refresh !== "yes") { return; }
    if (busy) { again = true; return; }
    if (inUse()) { offer(); return; }
    busy = true;
    fetch(location.href, { headers: { accept: "text/html" } }).then(function (r) { return r.text(); }).then(function (text) {
      var fresh = new DOMParser().parseFromString(text, "text/html");
      var old = document.getElementById("main"), next = fresh.getElementById("main");
      if (next && !inUse()) {
        document.body.dataset.run = fresh.body.dataset.run;
        // Records in view keep their place: only the rest is exchanged.
        if (!old.querySelector(".trace")) { old.replaceWith(document.adoptNode(next)); tables(); }
        window.dispatchEvent(new Event("reeftally-new"));
      }
      busy = false;
      if (again) { again = false; anew(); }
    }).catch(function () { busy = false; });
  }

  function offer() {
    if (document.getElementById("offer")) { return; }
    var p = document.createElement("p"), b = document.createElement("button");
    p.id = "offer"; p.className = "notice good"; b.textContent = "New results are there: show them";
    b.addEventListener("click", function () { location.reload(); });
    p.appendChild(b);
    document.getElementById("main").prepend(p);
  }

  function tables() {
    document.querySelectorAll("input[data-rows]").forEach(function (box) {
      box.addEventListener("input", function () {
        var wanted = box.value.toLowerCase();
        document.getElementById(box.dataset.rows).querySelectorAll("tbody tr").forEach(function (row) {
          row.hidden = wanted !== "" && row.textContent.toLowerCase().indexOf(wanted) < 0;
        });
      });
    });
  }

  function listen() {
    var events = new EventSource("/events");
    events.addEventListener("state", head);
    events.addEventListener("data", function () { head(); window.dispatchEvent(new Event("reeftally-new")); });
    events.addEventListener("results", function () { head(); anew(); });
    events.addEventListener("log", anew);
    events.addEventListener("bye", function () { lost(); });
    events.onerror = lost;
    events.onopen = head;
    window.addEventListener("pagehide", function () { events.close(); });
  }

  tables();
  if (window.EventSource) { listen(); }
  setInterval(head, 60000);
})();

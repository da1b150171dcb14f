(function () {
  "use strict";
  var root = document.documentElement;
  var toggle = document.getElementById("tone");
  var dark = function () {
    var chosen = root.getAttribute("data-tone");
    return chosen ? chosen === "dark" : window.matchMedia("(prefers-color-scheme: dark)").matches;
  };
  toggle.hidden = false;
  toggle.addEventListener("click", function () {
    root.setAttribute("data-tone", dark() ? "light" : "dark");
    toggle.setAttribute("aria-pressed", String(dark()));
  });

  var colours = JSON.parse(document.getElementById("colours").textContent);
  var loaded = false;
  function library() {
    if (loaded) { return; }
    var script = document.createElement("script");
    script.textContent = document.getElementById("drawing").textContent;
    document.head.appendChild(script);
    loaded = true;
  }
  function column(packed, count) {
    var out = [], k, second;
    if ("steps" in packed) {
      second = packed.start;
      for (k = 0; k < count; k += 1) {
        if (k) { second += packed.steps[k - 1]; }
        out.push(new Date(second * 1000).toISOString().replace(".000Z", "+00:00"));
      }
      return out;
    }
    for (k = 0; k < count; k += 1) {
      out.push("all" in packed ? packed.all : "words" in packed ? packed.words[packed.at[k]] : packed.each[k]);
    }
    return out;
  }
  function unpack(sets) {
    Object.keys(sets).forEach(function (key) {
      var table = sets[key];
      if (Array.isArray(table)) { return; }
      var names = Object.keys(table.columns);
      var columns = names.map(function (name) { return column(table.columns[name], table.n); });
      sets[key] = columns[0].map(function (ignored, k) {
        var row = {};
        names.forEach(function (name, at) { row[name] = columns[at][k]; });
        return row;
      });
    });
  }
  function specification(name) {
    var text = document.getElementById("spec-" + name).textContent;
    if (dark()) {
      Object.keys(colours).forEach(function (light) { text = text.split(light).join(colours[light]); });
    }
    var found = JSON.parse(text);
    unpack(found.datasets || {});
    return found;
  }
  function save(name, kind, text) {
    var link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: kind }));
    link.download = name;
    link.click();
    URL.revokeObjectURL(link.href);
  }
  function cell(value) {
    if (value === null || value === undefined) { return ""; }
    var text = String(value);
    return /[",\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
  }
  function asTable(sets) {
    return Object.keys(sets).sort().map(function (key) {
      var rows = sets[key];
      if (!rows.length) { return ""; }
      var head = Object.keys(rows[0]);
      return [head.join(",")].concat(rows.map(function (row) {
        return head.map(function (column) { return cell(row[column]); }).join(",");
      })).join("\n");
    }).join("\n\n");
  }
  document.querySelectorAll("figure[data-name]").forEach(function (figure) {
    var name = figure.getAttribute("data-name");
    var tools = figure.querySelector(".tools");
    tools.hidden = false;
    tools.querySelector(".probe").addEventListener("click", function (event) {
      var live = figure.querySelector(".live");
      if (!live.hidden) {
        live.hidden = true;
        figure.querySelector(".still").hidden = false;
        event.target.textContent = "Read values";
        return;
      }
      library();
      window.vegaEmbed(live, specification(name), { actions: false, mode: "vega-lite", renderer: "svg" }).then(function () {
        figure.querySelector(".still").hidden = true;
        live.hidden = false;
        event.target.textContent = "Back to the drawing";
      });
    });
    tools.querySelector(".data").addEventListener("click", function () {
      save(name + ".csv", "text/csv", asTable(specification(name).datasets || {}));
    });
    tools.querySelector(".svg").addEventListener("click", function () {
      var copy = figure.querySelector("svg").cloneNode(true);
      var text = new XMLSerializer().serializeToString(copy);
      var style = getComputedStyle(root);
      text = text.replace(/var\((--c-[a-z0-9_-]+)\)/g, function (whole, property) { return style.getPropertyValue(property).trim(); });
      save(name + ".svg", "image/svg+xml", text);
    });
  });
  var filter = document.getElementById("filter");
  filter.hidden = false;
  filter.addEventListener("input", function () {
    var wanted = filter.value.toLowerCase().split(/\s+/).filter(Boolean);
    document.querySelectorAll("#every tbody tr").forEach(function (row) {
      var text = row.textContent.toLowerCase();
      row.hidden = !wanted.every(function (word) { return text.indexOf(word) >= 0; });
    });
  });
})();

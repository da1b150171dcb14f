// Records that can be panned. The server thins every window to the screen's columns, extremes kept; here they are
// only drawn. Three screens are fetched at a time, so moving shows what is there at once.
"use strict";
(function () {
  var HOUR = 3600e3, DAY = 24 * HOUR, PANEL = 128, HEAD = 20, AXIS = 46, STRIP = 15, LEFT = 58, RIGHT = 8;
  var STEPS = [1e3, 2e3, 5e3, 1e4, 2e4, 3e4, 6e4, 12e4, 3e5, 6e5, 18e5, HOUR, 2 * HOUR, 3 * HOUR, 6 * HOUR, 12 * HOUR, DAY, 2 * DAY, 4 * DAY, 7 * DAY, 14 * DAY, 28 * DAY, 91 * DAY, 365 * DAY];

  function two(n) { return (n < 10 ? "0" : "") + n; }
  function clock(ms, seconds) {
    var d = new Date(ms);
    return two(d.getUTCHours()) + ":" + two(d.getUTCMinutes()) + (seconds ? ":" + two(d.getUTCSeconds()) : "");
  }
  var MONTHS = "Jan Feb Mar Apr May Jun Jul Aug Sep Oct Nov Dec".split(" ");
  function date(ms) { var d = new Date(ms); return d.getUTCDate() + " " + MONTHS[d.getUTCMonth()]; }
  function plain(v) {
    if (v === null || v === undefined) { return "no value"; }
    var a = Math.abs(v);
    return (a >= 1000 ? v.toFixed(0) : a >= 100 ? v.toFixed(1) : a >= 10 ? v.toFixed(2) : a >= 0.1 || a === 0 ? v.toFixed(4) : v.toPrecision(3)).replace("-", "−");
  }

  function Trace(figure) {
    var config = JSON.parse(figure.querySelector("script").textContent);
    var canvas = figure.querySelector("canvas"), readout = figure.querySelector(".readout"), list = figure.querySelector(".flags");
    var view = { start: config.start, end: config.end };
    var held = null, asked = null, blocks = { time: [], series: {} }, marks = { flags: [], events: [], anchors: [], spans: [] };
    var width = 0, timer = null, pointers = {}, waiting = 0, queued = false, failed = "";
    var panels = config.panels.slice();
    var channels = panels.map(function (p) { return p.channel; }).join(",");

    function tone(name) { return getComputedStyle(document.documentElement).getPropertyValue("--c-" + name).trim(); }
    var SAME = { oxygen_molar: "oxygen", ph_total_internal: "ph_total", ph_total_external: "ph_total", absolute_pressure: "pressure", xco2: "fco2", pco2: "fco2" };
    function colour(name) { return tone(SAME[name] || name) || tone("speed"); }

    function addDerived() {
      Object.keys(blocks.series).forEach(function (name) {
        var known = panels.some(function (p) { return p.channel === name; });
        if (!known && blocks.series[name].corrected) {
          panels.splice(1, 0, { channel: name, title: blocks.series[name].title, name: name.replace(/_/g, " "), colour: name, derived: true });
        }
      });
    }

    function x(ms) { return LEFT + (ms - view.start) / (view.end - view.start) * (width - LEFT - RIGHT); }
    function at(px) { return view.start + (px - LEFT) / (width - LEFT - RIGHT) * (view.end - view.start); }

    function ask(force) {
      var span = view.end - view.start, px = Math.max(80, Math.round(width - LEFT - RIGHT));
      var fits = held && held.span > span * 0.66 && held.span < span * 1.5;
      var inside = held && held.from <= Math.max(view.start - span * 0.4, config.first) && held.to >= Math.min(view.end + span * 0.4, config.last);
      if (!force && fits && inside) { return; }
      var from = Math.floor(view.start - span), to = Math.ceil(view.end + span), key = from + " " + to + " " + px;
      if (!force && asked === key) { return; }
      asked = key;
      waiting += 1;
      fetch("/data/series?label=" + encodeURIComponent(config.label) + "&channels=" + encodeURIComponent(channels) + "&start=" + from + "&end=" + to + "&width=" + Math.min(3 * px, 6000))
        .then(function (r) { return r.json().then(function (d) { if (!r.ok) { throw new Error(d.message); } return d; }); })
        .then(function (d) {
          // What was asked last is shown; an older answer only helps where nothing is there yet.
          if (asked === key || !held) { held = { data: d, from: d.start, to: d.end, span: span }; }
          failed = "";
        })
        .catch(function (e) { failed = e.message; if (asked === key) { asked = null; } })
        .then(function () { waiting -= 1; draw(); settled(); });
    }

    function settled() { if (!waiting && beside.done) { figure.dataset.state = "drawn"; } }

    function moved() {
      var span = view.end - view.start, least = Math.max(2000, (config.least || 0)), most = (config.last - config.first) * 1.05 + 60e3;
      if (span < least) { view.end = view.start + least; }
      if (span > most) { var mid = (view.start + view.end) / 2; view.start = mid - most / 2; view.end = mid + most / 2; }
      span = view.end - view.start;
      var low = config.first - span * 0.5, high = config.last + span * 0.5;
      if (view.start < low) { view.start = low; view.end = low + span; }
      if (view.end > high) { view.end = high; view.start = high - span; }
      draw();
      clearTimeout(timer);
      timer = setTimeout(ask, 120);
    }

    function zoom(factor, px) {
      var mid = px === undefined ? (view.start + view.end) / 2 : at(px);
      view.start = mid - (mid - view.start) * factor;
      view.end = mid + (view.end - mid) * factor;
      moved();
    }
    function pan(share) { var d = share * (view.end - view.start); view.start += d; view.end += d; moved(); }

    function eachPoint(p, use) {
      var d = held && held.data.series[p.channel], i, start, step;
      if (!d) { return; }
      start = held.data.start;
      if (d.v) {
        for (i = 0; i < d.t.length; i += 1) { use(start + d.t[i], d.v[i], d.v[i], d.gap); }
      } else {
        step = (held.data.end - start) / d.low.length;
        for (i = 0; i < d.low.length; i += 1) {
          if (d.low[i] !== null) { use(start + (i + 0.5) * step, d.low[i], d.high[i], d.gap); }
        }
      }
    }

    function range(p) {
      var low = Infinity, high = -Infinity, s = blocks.series[p.channel];
      eachPoint(p, function (t, a, b) { if (a !== null && t >= view.start && t <= view.end) { low = Math.min(low, a); high = Math.max(high, b); } });
      if (s) {
        blocks.time.forEach(function (t, i) {
          if (t < view.start || t > view.end) { return; }
          [s.mean && s.mean[i], s.corrected && s.corrected[i]].forEach(function (v) { if (v !== null && v !== undefined) { low = Math.min(low, v); high = Math.max(high, v); } });
        });
      }
      marks.anchors.forEach(function (a) { if (a.channel === p.channel && a.time >= view.start && a.time <= view.end) { low = Math.min(low, a.value); high = Math.max(high, a.value); } });
      if (!(high >= low)) { return null; }
      var pad = (high - low) * 0.08 || Math.abs(high) * 0.01 || 1;
      return [low - pad, high + pad];
    }

    function ticksOf(low, high, count) {
      var raw = (high - low) / count, ten = Math.pow(10, Math.floor(Math.log10(raw))), n = raw / ten;
      var step = ten * (n < 1.5 ? 1 : n < 3 ? 2 : n < 7 ? 5 : 10), out = [], v = Math.ceil(low / step) * step;
      var digits = Math.max(0, -Math.floor(Math.log10(step)));
      for (; v <= high; v += step) { out.push([v, v.toFixed(Math.min(digits, 8)).replace("-", "−")]); }
      return out;
    }

    function draw() {
      if (queued) { return; }
      queued = true;
      requestAnimationFrame(function () { queued = false; paint(); });
    }

    function paint() {
      var ratio = window.devicePixelRatio || 1, box = canvas.clientWidth;
      var high = panels.length * (PANEL + HEAD) + STRIP * 2 + AXIS;
      if (box !== width || canvas.height !== Math.round(high * ratio)) {
        width = box;
        canvas.width = Math.round(width * ratio); canvas.height = Math.round(high * ratio);
        canvas.style.height = high + "px";
      }
      var g = canvas.getContext("2d"), ink = tone("ink"), muted = tone("muted");
      g.setTransform(ratio, 0, 0, ratio, 0, 0);
      g.clearRect(0, 0, width, high);
      g.font = "13px Charter, 'Bitstream Charter', Georgia, 'DejaVu Serif', serif";
      var bottom = panels.length * (PANEL + HEAD), right = width - RIGHT;
      // nights
      config.nights.forEach(function (n) {
        var a = Math.max(x(n[0]), LEFT), b = Math.min(x(n[1]), right);
        if (b > a) {
          g.fillStyle = tone("night");
          panels.forEach(function (_, k) { g.fillRect(a, k * (PANEL + HEAD) + HEAD, b - a, PANEL); });
        }
      });
      // time ticks
      var span = view.end - view.start, room = (right - LEFT) / 58;
      var step = STEPS.find(function (s) { return span / s <= room; }) || 730 * DAY;
      var off = config.offset * HOUR, ticks = [], t = Math.ceil((view.start + off) / step) * step - off;
      for (; t <= view.end; t += step) { ticks.push(t); }
      g.strokeStyle = tone("grid"); g.lineWidth = 1; g.beginPath();
      ticks.forEach(function (v) { panels.forEach(function (_, k) { var y = k * (PANEL + HEAD) + HEAD; g.moveTo(x(v), y); g.lineTo(x(v), y + PANEL); }); });
      g.stroke();
      panels.forEach(function (p, k) { panel(g, p, k * (PANEL + HEAD) + HEAD, right, ink, muted); });
      strips(g, bottom, right, ink, muted);
      // axis: local time above, UTC below, the date at the first tick of a local day
      var y = bottom + 2 * STRIP + 14, day = null;
      g.textAlign = "center"; g.fillStyle = ink;
      ticks.forEach(function (v) {
        if (x(v) < LEFT + 14 || x(v) > right - 14) { return; }
        var local = date(v + off), first = local !== day;
        g.fillStyle = ink;
        g.fillText(step >= DAY ? local : clock(v + off, step < 6e4), x(v), y);
        g.fillStyle = muted;
        g.fillText(clock(v, step < 6e4), x(v), y + 15);
        if (first && step < DAY) { g.fillText(local, x(v), y + 30); }
        day = local;
      });
      g.textAlign = "left"; g.fillStyle = ink; g.fillText("local", 2, y); g.fillStyle = muted; g.fillText("UTC", 2, y + 15);
    }

    function panel(g, p, top, right, ink, muted) {
      var r = range(p), hue = colour(p.colour);
      g.fillStyle = ink; g.textAlign = "left";
      g.fillText(p.title + (blocks.series[p.channel] && blocks.series[p.channel].corrected ? (p.derived ? ": block means, and corrected" : ": samples, and corrected block means") : ""), 2, top - 6, right - 2);
      if (!r) {
        g.fillStyle = muted;
        g.fillText(failed || (waiting ? "reading …" : "no data in this window"), LEFT + 8, top + PANEL / 2);
        return;
      }
      function y(v) { return top + PANEL - (v - r[0]) / (r[1] - r[0]) * PANEL; }
      g.fillStyle = muted; g.textAlign = "right"; g.strokeStyle = tone("grid"); g.lineWidth = 1; g.beginPath();
      ticksOf(r[0], r[1], 3).forEach(function (tick) {
        g.moveTo(LEFT, y(tick[0])); g.lineTo(right, y(tick[0]));
        g.fillText(tick[1], LEFT - 6, y(tick[0]) + 4);
      });
      g.stroke();
      g.save(); g.beginPath(); g.rect(LEFT, top - 1, right - LEFT, PANEL + 2); g.clip();
      var last = null;
      g.strokeStyle = hue; g.fillStyle = hue; g.lineWidth = 1; g.beginPath();
      eachPoint(p, function (t, a, b, gap) {
        if (a === null) { last = null; return; }
        var px = x(t), one = y(a), two_ = y(b);
        if (last !== null && t - last.t <= gap) { g.lineTo(px, Math.abs(one - last.y) < Math.abs(two_ - last.y) ? one : two_); } else { g.moveTo(px - 0.5, one); g.lineTo(px + 0.5, one); }
        g.moveTo(px, one); g.lineTo(px, two_ - 0.6); g.moveTo(px, (one + two_) / 2);
        last = { t: t, y: (one + two_) / 2 };
      });
      g.stroke();
      series(g, p, y, ink);
      marks.anchors.forEach(function (a) {
        if (a.channel !== p.channel) { return; }
        g.strokeStyle = ink; g.lineWidth = 1.8; g.strokeRect(x(a.time) - 3.5, y(a.value) - 3.5, 7, 7);
      });
      g.restore();
    }

    function series(g, p, y, ink) {
      var s = blocks.series[p.channel], gap = 1.6 * (blocks.step || HOUR), on = false, lastT = 0;
      if (!s) { return; }
      function line(values, width_, dash) {
        g.setLineDash(dash); g.lineWidth = width_; g.beginPath(); on = false;
        blocks.time.forEach(function (t, i) {
          var v = values[i];
          if (v === null) { on = false; return; }
          if (on && t - lastT <= gap) { g.lineTo(x(t), y(v)); } else { g.moveTo(x(t) - 0.8, y(v)); g.lineTo(x(t) + 0.8, y(v)); }
          on = true; lastT = t;
        });
        g.stroke(); g.setLineDash([]);
      }
      if (p.derived && s.mean) { g.strokeStyle = colour(p.colour); line(s.mean, 1, [3, 2]); }
      if (s.corrected) {
        g.fillStyle = ink; g.globalAlpha = 0.16;
        blocks.time.forEach(function (t, i) {
          if (s.corrected[i] !== null && s.half[i] !== null) {
            var w = Math.max(x(t + blocks.step / 2) - x(t - blocks.step / 2), 1);
            g.fillRect(x(t) - w / 2, y(s.corrected[i] + s.half[i]), w, y(s.corrected[i] - s.half[i]) - y(s.corrected[i] + s.half[i]));
          }
        });
        g.globalAlpha = 1; g.strokeStyle = ink;
        line(s.corrected, 1.8, []);
      }
    }

    function strips(g, top, right, ink, muted) {
      g.save(); g.beginPath(); g.rect(0, top, right, STRIP * 2); g.clip();
      g.fillStyle = muted; g.textAlign = "left"; g.fillText("flags", 2, top + 11); g.fillText("done", 2, top + STRIP + 11);
      g.beginPath(); g.rect(LEFT, top, right - LEFT, STRIP * 2); g.clip();
      marks.flags.forEach(function (f) {
        var a = x(f.start), w = Math.max(x(f.end) - a, 2);
        g.fillStyle = f.flag === 4 ? tone("organic") : tone("carbonate");
        g.fillRect(a, top + (f.flag === 4 ? 2 : 7), w, f.flag === 4 ? 10 : 5);
      });
      marks.events.forEach(function (e) {
        var a = x(e.time);
        g.fillStyle = e.all ? muted : ink; g.beginPath();
        g.moveTo(a, top + STRIP + 1); g.lineTo(a + 5, top + STRIP + 12); g.lineTo(a - 5, top + STRIP + 12); g.fill();
      });
      g.restore();
    }

    function tell(px, py) {
      var t = at(px), k = Math.floor(py / (PANEL + HEAD)), p = panels[k], near = null, text, reach = (view.end - view.start) / 60;
      text = date(t) + " " + clock(t, view.end - view.start < 2 * HOUR) + " UTC (" + clock(t + config.offset * HOUR) + " local)";
      if (p) {
        eachPoint(p, function (s, a, b) { if (a !== null && Math.abs(s - t) < reach && (!near || Math.abs(s - t) < Math.abs(near[0] - t))) { near = [s, a, b]; } });
        text += " · " + p.name + ": " + (near ? (near[1] === near[2] ? plain(near[1]) : plain(near[1]) + " to " + plain(near[2])) : "no data");
        var s = blocks.series[p.channel];
        if (s && s.corrected) {
          var i = blocks.time.findIndex(function (b) { return Math.abs(b - t) <= blocks.step / 2; });
          if (i >= 0 && s.corrected[i] !== null) { text += " · corrected " + plain(s.corrected[i]) + (s.half[i] !== null ? " ± " + plain(s.half[i]) : ""); }
        }
      }
      marks.events.concat([]).forEach(function (e) { if (Math.abs(x(e.time) - px) < 7) { text += " · " + date(e.time) + " " + clock(e.time) + " " + e.text; } });
      marks.flags.slice(0, 400).forEach(function (f) { if (x(f.start) - 3 < px && px < x(f.end) + 3 && text.length < 400) { text += " · " + (f.flag === 4 ? "failed " : "doubtful ") + f.test + " (" + f.channel + ")"; } });
      marks.spans.forEach(function (s) { if (s.start <= t && t < s.end) { text += " · " + s.text; } });
      readout.textContent = text;
    }

    function place(e) { var b = canvas.getBoundingClientRect(); return [e.clientX - b.left, e.clientY - b.top]; }
    canvas.addEventListener("pointerdown", function (e) {
      pointers[e.pointerId] = place(e); canvas.setPointerCapture(e.pointerId); canvas.classList.add("held");
    });
    canvas.addEventListener("pointermove", function (e) {
      var now = place(e), ids = Object.keys(pointers), before = pointers[e.pointerId];
      if (!before) { tell(now[0], now[1]); return; }
      if (ids.length === 1) {
        var d = at(before[0]) - at(now[0]);
        view.start += d; view.end += d; moved();
      } else if (ids.length === 2) {
        var other = pointers[ids.find(function (i) { return Number(i) !== e.pointerId; })];
        var was = Math.abs(before[0] - other[0]), is = Math.abs(now[0] - other[0]);
        if (was > 10 && is > 10) { zoom(was / is, (now[0] + other[0]) / 2); }
      }
      pointers[e.pointerId] = now;
    });
    function up(e) { delete pointers[e.pointerId]; if (!Object.keys(pointers).length) { canvas.classList.remove("held"); } tell.apply(null, place(e)); }
    canvas.addEventListener("pointerup", up);
    canvas.addEventListener("pointercancel", up);
    canvas.addEventListener("wheel", function (e) {
      // The plain wheel moves the page; with Ctrl (or a pinch on a pad) it looks closer, with Shift it moves in time.
      if (e.ctrlKey) { e.preventDefault(); zoom(Math.exp(e.deltaY * 0.004), place(e)[0]); } else if (e.shiftKey || Math.abs(e.deltaX) > Math.abs(e.deltaY)) { e.preventDefault(); pan((e.deltaX || e.deltaY) / 900); }
    }, { passive: false });
    canvas.addEventListener("keydown", function (e) {
      var keys = { ArrowLeft: function () { pan(-0.2); }, ArrowRight: function () { pan(0.2); }, PageUp: function () { pan(-0.9); }, PageDown: function () { pan(0.9); }, "+": function () { zoom(0.6); }, "=": function () { zoom(0.6); }, "-": function () { zoom(1.6); }, Home: all };
      if (keys[e.key] && !e.ctrlKey && !e.metaKey) { e.preventDefault(); keys[e.key](); tell((LEFT + width - RIGHT) / 2, PANEL / 2); }
    });
    function all() { var pad = (config.last - config.first) * 0.01; view.start = config.first - pad; view.end = config.last + pad; moved(); }
    var doing = {
      earlier: function () { pan(-0.75); }, later: function () { pan(0.75); }, closer: function () { zoom(0.5); }, wider: function () { zoom(2); },
      all: all, day: function () { view.end = config.last; view.start = config.last - DAY; moved(); }
    };
    figure.querySelectorAll("button[data-do]").forEach(function (b) { b.addEventListener("click", doing[b.dataset.do]); });

    function flagList() {
      list.textContent = "";
      marks.flags.slice(0, 24).forEach(function (f) {
        var li = document.createElement("li"), b = document.createElement("button");
        b.type = "button";
        b.textContent = (f.flag === 4 ? "Failed: " : "Doubtful: ") + f.test + ", " + f.channel.replace(/_/g, " ") + ", " + date(f.start) + " " + clock(f.start) + " UTC, " + f.count + (f.count === 1 ? " sample" : " samples");
        b.addEventListener("click", function () { var d = Math.max(f.end - f.start, 10 * 60e3); view.start = f.start - d; view.end = f.end + d; moved(); canvas.focus(); });
        li.appendChild(b); list.appendChild(li);
      });
      list.hidden = !marks.flags.length;
    }
    function beside() {
      figure.dataset.state = "reading";
      var left = 2;
      function done() { left -= 1; beside.done = left === 0; settled(); }
      fetch("/data/blocks?label=" + encodeURIComponent(config.label)).then(function (r) { return r.json(); }).then(function (d) { if (d.series) { blocks = d; addDerived(); draw(); } }).catch(function () { }).then(done);
      fetch("/data/marks?label=" + encodeURIComponent(config.label)).then(function (r) { return r.json(); }).then(function (d) { if (d.flags) { marks = d; flagList(); draw(); } }).catch(function () { }).then(done);
    }
    window.addEventListener("resize", function () { draw(); moved(); });
    window.addEventListener("reeftally-new", function () { beside(); ask(true); });
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
    width = canvas.clientWidth;
    paint(); ask(); beside();
  }

  document.querySelectorAll("figure.trace").forEach(Trace);
})();

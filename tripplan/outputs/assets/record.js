// Ticking and recording in the page itself: kept in the browser where it allows that, sent home as a file,
// a table or a short text. No server. All words come from the page's data block.
(function () {
  "use strict";
  var data = JSON.parse(document.getElementById("kit-data").textContent);
  var kit = data.record, say = kit.words;
  var FIELDS = ["found", "cause", "done", "pack_out", "volts_out", "pack_in", "volts_in", "minutes", "notes"];
  var COLUMNS = ["trip_id", "by", "site_id", "when"].concat(FIELDS);
  // Site ids and pack labels are keys: maps without inherited names, so that none of them means something.
  function bare(from) { return Object.assign(Object.create(null), from || {}); }
  var state = { ticks: bare(), load: bare(), visits: bare(), by: "" };
  var sites = bare();
  kit.types = bare(kit.types);
  kit.sites.forEach(function (site) { sites[site.number] = site; });
  var packs = bare();
  kit.packs.forEach(function (pack) { packs[same(pack.id)] = pack; });

  function words(text, values) {
    return text.replace(/\{(\w+)\}/g, function (all, name) { return name in values ? String(values[name]) : all; });
  }
  function same(label) { return String(label || "").trim().replace(/\s+/g, " ").toLowerCase(); }
  function show(number) { return String(Math.round(number * 100) / 100).replace(".", say.decimal); }
  // A figure as people type it: comma or point, a unit behind it. NaN where it is none, null where nothing stands.
  function figure(text) {
    var trimmed = String(text || "").trim();
    if (!trimmed) { return null; }
    var match = /^([-+\u2212]?\d{1,4}(?:[.,]\d{1,3})?)\s*(?:v|volt|volts|min)?$/i.exec(trimmed);
    return match ? Number(match[1].replace("\u2212", "-").replace(",", ".")) : NaN;
  }

  // --- keeping ---------------------------------------------------------------------------------
  var store = null;
  try {
    window.localStorage.setItem(kit.store + ":try", "1");
    if (window.localStorage.getItem(kit.store + ":try") === "1") { store = window.localStorage; }
    window.localStorage.removeItem(kit.store + ":try");
  } catch (error) { store = null; }
  var unsent = false;
  function keep() {
    unsent = true;
    if (!store) { return; }
    try { store.setItem(kit.store, JSON.stringify(state)); } catch (error) { store = null; tellKept(); }
  }
  function recall() {
    if (!store) { return; }
    try {
      var old = JSON.parse(store.getItem(kit.store) || "null");
      if (old && typeof old === "object") {
        ["ticks", "load", "visits"].forEach(function (key) { if (old[key] && typeof old[key] === "object") { state[key] = bare(old[key]); } });
        state.by = String(old.by || "");
      }
    } catch (error) { /* what another page left under this name is not ours to read */ }
  }
  function tellKept() {
    var line = document.querySelector("[data-kept]");
    line.textContent = store ? say.kept : say.not_kept;
    line.classList.toggle("caution", !store);
  }
  window.addEventListener("beforeunload", function (event) {
    if (!store && unsent) { event.preventDefault(); event.returnValue = ""; }
  });

  // --- checks as typed ---------------------------------------------------------------------------
  function stop(text, values) { return { stop: true, text: words(text, values || {}) }; }
  function look(text, values) { return { stop: false, text: words(text, values || {}) }; }
  function plugCheck(text, span, takes, found) {
    var volts = figure(text);
    if (volts === null) { return; }
    if (isNaN(volts)) { found.push(look(say.no_number, { text: text })); return; }
    if (volts < 0) { found.push(stop(say.reversed)); return; }
    if (volts < span[0] || volts > span[1]) { found.push(stop(say.wrong_volts, { volts: show(volts), takes: show(takes) })); }
  }
  function batteryCheck(text, kind, fresh, found) {
    var volts = figure(text);
    if (volts === null) { return; }
    if (isNaN(volts)) { found.push(look(say.no_number, { text: text })); return; }
    if (volts < 0) { found.push(stop(say.reversed)); return; }
    if (!kind) { return; }
    if (volts > kind.most) { found.push(look(say.too_high, { volts: show(volts), type: kind.name })); }
    else if (fresh && kind.fresh !== null && volts < kind.fresh) { found.push(look(say.too_low, { type: kind.name, limit: show(kind.fresh) })); }
    else if (!fresh && kind.suspect !== null && volts < kind.suspect) { found.push(look(say.suspect, { limit: show(kind.suspect) })); }
  }
  function loadedIds() {
    return Object.keys(state.load).map(function (slot) { return same(state.load[slot].id); }).filter(Boolean);
  }
  function packGoesIn(label, wants, found) {
    var pack = packs[same(label)];
    if (pack && pack.type !== wants) { found.push(stop(say.wrong_type, { pack: label, type: pack.type, wants: wants })); }
    if (!pack && kit.knows_packs) { found.push(look(say.unknown_pack, { pack: label })); }
  }
  function siteChecks(site, visit) {
    var found = [], kind = kit.types[site.type];
    var label = (visit.pack_in || "").trim();
    if (label) {
      packGoesIn(label, site.type, found);
      var loaded = loadedIds();
      if (loaded.length && loaded.indexOf(same(label)) < 0) { found.push(stop(say.not_loaded, { pack: label })); }
      kit.sites.forEach(function (other) {
        var there = state.visits[other.key];
        if (other.number !== site.number && there && same(there.pack_in) === same(label)) {
          found.push(stop(say.twice, { pack: label, where: words(say.site, { number: other.number }) }));
        }
      });
      if (same(label) === same(visit.pack_out)) { found.push(stop(say.same_pack)); }
    }
    plugCheck(visit.plug_volts, site.span, site.takes, found);
    batteryCheck(visit.volts_in, kind, true, found);
    batteryCheck(visit.volts_out, packs[same(visit.pack_out)] ? kit.types[packs[same(visit.pack_out)].type] : kind, false, found);
    if (visit.pack_out && site.pack_out && same(visit.pack_out) !== same(site.pack_out)) { found.push(look(say.other_out, { expected: site.pack_out })); }
    if (visit.done === "swapped" || visit.done === "installed") {
      if (!label) { found.push(look(say.no_pack)); }
      if (site.swap && !visit.polarity) { found.push(stop(say.polarity)); }
      if (site.swap && figure(visit.plug_volts) === null) { found.push(look(say.no_meter)); }
    }
    var minutes = figure(visit.minutes);
    if (minutes !== null && isNaN(minutes)) { found.push(look(say.no_number, { text: visit.minutes })); }
    return found;
  }
  function slotChecks(slot, load) {
    var found = [], wants = kit.slots[slot], kind = kit.types[wants];
    var label = (load.id || "").trim();
    if (label) {
      packGoesIn(label, wants, found);
      Object.keys(state.load).forEach(function (other) {
        if (other !== slot && same(state.load[other].id) === same(label)) {
          found.push(stop(say.twice, { pack: label, where: words(say.slot, { number: other }) }));
        }
      });
    }
    plugCheck(load.volts, kind.span, kind.volts, found);
    return found;
  }
  function list(box, found) {
    var text = found.map(function (one) { return one.text; }).join("\n");
    if (box.dataset.shown === text) { return; }
    box.dataset.shown = text;
    box.textContent = "";
    found.forEach(function (one) {
      var line = document.createElement("p");
      line.className = one.stop ? "stop-now" : "look-here";
      line.textContent = one.text;
      box.append(line);
    });
  }

  // --- the page ----------------------------------------------------------------------------------
  function isRecorded(visit) { return Boolean(visit && (visit.found || visit.done)); }
  function refresh() {
    var done = 0, again = document.querySelector("[data-look-again]");
    again.textContent = "";
    document.querySelectorAll("[data-slot]").forEach(function (box) {
      list(box.querySelector("[data-alerts]"), slotChecks(box.dataset.slot, state.load[box.dataset.slot] || {}));
    });
    document.querySelectorAll("[data-site]").forEach(function (box) {
      var site = sites[box.dataset.site], visit = state.visits[site.key];
      var found = visit ? siteChecks(site, visit) : [];
      var halted = found.some(function (one) { return one.stop; });
      list(box.querySelector("[data-alerts]"), found);
      var mark = box.querySelector("[data-state]");
      mark.textContent = halted ? say.look_again : isRecorded(visit) ? say.recorded : say.not_yet;
      mark.className = "state " + (halted ? "is-stop" : isRecorded(visit) ? "is-done" : "is-open");
      if (isRecorded(visit)) { done += 1; }
      if (halted) {
        var line = document.createElement("li"), link = document.createElement("a");
        link.href = "#site-" + site.number;
        link.textContent = words(say.site, { number: site.number }) + ": " + found.filter(function (one) { return one.stop; })[0].text;
        line.append(link);
        again.append(line);
      }
    });
    document.querySelector("[data-progress]").textContent = words(say.progress, { done: done, all: kit.sites.length });
  }
  function stamp(moment) {
    function two(number) { return String(number).padStart(2, "0"); }
    return moment.getFullYear() + "-" + two(moment.getMonth() + 1) + "-" + two(moment.getDate()) + "T" + two(moment.getHours()) + ":" + two(moment.getMinutes());
  }
  function withOffset(local) {
    var moment = new Date(local);
    if (!local || isNaN(moment.getTime())) { return null; }
    var minutes = -moment.getTimezoneOffset(), size = Math.abs(minutes);
    return stamp(moment) + ":00" + (minutes < 0 ? "-" : "+") + String(Math.floor(size / 60)).padStart(2, "0") + ":" + String(size % 60).padStart(2, "0");
  }
  function fill(box, values, name) {
    box.querySelectorAll("[data-" + name + "]").forEach(function (input) {
      var value = values[input.dataset[name]];
      if (input.type === "checkbox") { input.checked = Boolean(value); }
      else if (input.type === "radio") { input.checked = input.value === value; }
      else { input.value = value === undefined || value === null ? "" : value; }
    });
  }
  function visitOf(box) {
    var key = sites[box.dataset.site].key;
    if (!state.visits[key]) {
      state.visits[key] = { when: stamp(new Date()) };
      box.querySelector("[data-field=when]").value = state.visits[key].when;
    }
    return state.visits[key];
  }
  function take(input) {
    var tick = input.dataset.tick, field = input.dataset.field, load = input.dataset.load;
    var value = input.type === "checkbox" ? input.checked : input.value;
    if (tick) { state.ticks[tick] = value; }
    else if (field) {
      if (input.type === "radio" && !input.checked) { return; }
      visitOf(input.closest("[data-site]"))[field] = value;
    } else if (load) {
      var slot = input.closest("[data-slot]").dataset.slot;
      state.load[slot] = state.load[slot] || {};
      state.load[slot][load] = value;
    } else if ("by" in input.dataset) { state.by = value; }
    else { return; }
    keep();
    refresh();
  }
  document.addEventListener("input", function (event) { take(event.target); });
  document.addEventListener("change", function (event) { take(event.target); });
  document.querySelectorAll("[data-site]").forEach(function (box) {
    var site = sites[box.dataset.site];
    box.querySelector("[data-as-planned]").addEventListener("click", function () {
      var visit = visitOf(box);
      visit.found = visit.found || "running";
      visit.done = visit.done || (site.swap ? "swapped" : "left");
      if (site.swap) {
        visit.pack_out = visit.pack_out || site.pack_out;
        visit.pack_in = visit.pack_in || site.pack_in;
      }
      fill(box, visit, "field");
      keep();
      refresh();
    });
    var clear = box.querySelector("[data-clear]"), label = clear.textContent;
    clear.addEventListener("click", function () {
      if (clear.textContent === label) { clear.textContent = say.confirm_clear; return; }
      clear.textContent = label;
      delete state.visits[site.key];
      fill(box, {}, "field");
      keep();
      refresh();
    });
    clear.addEventListener("blur", function () { clear.textContent = label; });
  });

  // --- sending home --------------------------------------------------------------------------------
  function number(text) { var value = figure(text); return value === null || isNaN(value) ? null : value; }
  function results() {
    var order = kit.sites.map(function (site) { return site.key; });
    // A record of a site that an older kit of this trip held is sent all the same.
    Object.keys(state.visits).forEach(function (key) { if (order.indexOf(key) < 0) { order.push(key); } });
    var visits = order.filter(function (key) { return state.visits[key]; }).map(function (key) {
      var visit = state.visits[key];
      var notes = (visit.notes || "").trim();
      // What cannot be read as a number is not lost: it goes into the note as it was typed.
      ["volts_out", "volts_in", "minutes"].forEach(function (field) {
        var value = figure(visit[field]);
        if (value !== null && isNaN(value)) { notes = (notes ? notes + "; " : "") + field + "=" + String(visit[field]).trim(); }
      });
      return {
        site_id: key, when: withOffset(visit.when), found: visit.found || null, cause: visit.cause || null,
        done: visit.done || null, pack_out: (visit.pack_out || "").trim() || null, volts_out: number(visit.volts_out),
        pack_in: (visit.pack_in || "").trim() || null, volts_in: number(visit.volts_in),
        minutes: number(visit.minutes), notes: notes || null
      };
    });
    return { format: "tripplan-results/1", trip_id: data.trip_id, by: state.by.trim(), visits: visits };
  }
  function asCsv(found) {
    function cell(value) {
      if (value === null || value === undefined) { return ""; }
      if (typeof value === "number") { return String(value); }
      var text = String(value).replace(/[\r\n]+/g, " ");
      if (/^[=+\-@\t]/.test(text)) { text = "'" + text; }
      return /[",;]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
    }
    var rows = found.visits.map(function (visit) {
      return COLUMNS.map(function (name) { return cell(name === "trip_id" || name === "by" ? found[name] : visit[name]); }).join(",");
    });
    return "\ufeff" + [COLUMNS.join(",")].concat(rows).join("\r\n") + "\r\n";
  }
  // The short text, as results_text.py reads it: parts that stand each on its own, each with a check sum. White space
  // means nothing; what a phone or a network could make prettier or lose stands as %XX.
  function crc32(text) {
    var crc = -1;
    new TextEncoder().encode(text).forEach(function (byte) {
      crc ^= byte;
      for (var k = 0; k < 8; k += 1) { crc = (crc >>> 1) ^ (0xedb88320 & -(crc & 1)); }
    });
    return ((crc ^ -1) >>> 0).toString(16).padStart(8, "0");
  }
  function coded(value) {
    var text = String(value).replace(/[\s\u0000-\u001f\u007f-\u009f]+/g, " ").trim();
    return Array.from(text).map(function (sign, k, all) {
      if (/[A-Za-z0-9]/.test(sign)) { return sign; }
      if (sign === " ") { return "_"; }
      var between = /[A-Za-z0-9]/.test(all[k - 1] || "") && /[A-Za-z0-9]/.test(all[k + 1] || "");
      if (/[.,+-]/.test(sign) && between) { return sign; }
      if (sign === ":" && /[0-9]/.test(all[k - 1] || "") && /[0-9]/.test(all[k + 1] || "")) { return sign; }
      return Array.from(new TextEncoder().encode(sign)).map(function (byte) { return "%" + byte.toString(16).toUpperCase().padStart(2, "0"); }).join("");
    }).join("");
  }
  function asText(found) {
    function part(name, value) { return value === null || value === "" ? "" : name + "=" + coded(value) + ";"; }
    var parts = [part("trip", found.trip_id) + part("by", found.by) + part("visits", found.visits.length)];
    found.visits.forEach(function (visit) {
      parts.push(part("site", visit.site_id) + ["when"].concat(FIELDS).map(function (name) { return part(name, visit[name]); }).join(""));
    });
    var sending = crc32(parts.join("")).slice(0, 4);
    return parts.map(function (fields, k) {
      return "tripplan " + (k + 1) + "of" + parts.length + "=" + sending + ": " + fields.replace(/;/g, "; ") + "#" + crc32(fields).slice(0, 4);
    }).join("\n");
  }
  var told = document.querySelector("[data-sent]");
  function file(kind) {
    var found = results(), name = "results-" + found.trip_id + "." + kind;
    var text = kind === "json" ? JSON.stringify(found, null, 1) + "\n" : asCsv(found);
    return new File([text], name, { type: kind === "json" ? "application/json" : "text/csv" });
  }
  function any() {
    if (Object.keys(state.visits).length) { return true; }
    told.textContent = say.nothing;
    return false;
  }
  document.querySelectorAll("[data-save]").forEach(function (knob) {
    knob.addEventListener("click", function () {
      if (!any()) { return; }
      var made = file(knob.dataset.save), link = document.createElement("a");
      link.href = URL.createObjectURL(made);
      link.download = made.name;
      document.body.append(link);
      link.click();
      link.remove();
      setTimeout(function () { URL.revokeObjectURL(link.href); }, 60000);
      unsent = false;
      told.textContent = words(say.saved, { name: made.name });
    });
  });
  var share = document.querySelector("[data-share]");
  try { share.hidden = !(navigator.canShare && navigator.canShare({ files: [file("json")] })); } catch (error) { share.hidden = true; }
  share.addEventListener("click", function () {
    if (!any()) { return; }
    navigator.share({ files: [file("json")] }).then(function () { unsent = false; told.textContent = say.shared; }, function () { /* the person changed their mind */ });
  });
  document.querySelector("[data-copy]").addEventListener("click", function () {
    if (!any()) { return; }
    var field = document.querySelector("[data-text-field]"), area = document.querySelector("[data-text]");
    area.value = asText(results());
    field.hidden = false;
    area.focus();
    area.select();
    function byHand() { told.textContent = say.copy_by_hand; }
    try {
      navigator.clipboard.writeText(area.value).then(function () { unsent = false; told.textContent = say.copied; }, byHand);
    } catch (error) { byHand(); }
  });

  recall();
  document.querySelectorAll("[data-tick]").forEach(function (input) { input.checked = Boolean(state.ticks[input.dataset.tick]); });
  document.querySelectorAll("[data-slot]").forEach(function (box) { fill(box, state.load[box.dataset.slot] || {}, "load"); });
  document.querySelectorAll("[data-site]").forEach(function (box) {
    var visit = state.visits[sites[box.dataset.site].key];
    if (visit) { fill(box, visit, "field"); }
  });
  document.querySelector("[data-by]").value = state.by;
  tellKept();
  refresh();
}());

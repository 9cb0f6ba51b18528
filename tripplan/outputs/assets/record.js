// Ticking and recording in the page itself: kept in the browser where it allows that, sent home as a file,
// a table or a short text. No server. All words come from the page's data block.
(function () {
  "use strict";
  var data = JSON.parse(document.getElementById("kit-data").textContent);
  var kit = data.record, say = kit.words;
  // Site ids and pack labels are keys: maps without inherited names, so that none of them means something.
  function bare(from) { return Object.assign(Object.create(null), from || {}); }
  var state = { ticks: bare(), load: bare(), visits: bare(), notes: bare(), sent: bare(), by: "" };
  var sites = bare();
  kit.types = bare(kit.types);
  kit.first = bare(kit.first);
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
    // In a page opened with a passphrase its keeper stands for the browser's store, and encrypts.
    var shelf = window.tripplanKeeper || window.localStorage;
    shelf.setItem(kit.store + ":try", "1");
    if (shelf.getItem(kit.store + ":try") === "1") { store = shelf; }
    shelf.removeItem(kit.store + ":try");
  } catch (error) { store = null; }
  var told = document.querySelector("[data-told]");
  function keep() {
    if (!store) { return; }
    try { store.setItem(kit.store, JSON.stringify(state)); } catch (error) { store = null; tellKept(); }
  }
  function recall() {
    if (!store) { return; }
    try {
      var old = JSON.parse(store.getItem(kit.store) || "null");
      if (old && typeof old === "object") {
        ["ticks", "load", "visits", "notes", "sent"].forEach(function (key) { if (old[key] && typeof old[key] === "object") { state[key] = bare(old[key]); } });
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
    if (!store && unsent().length) { event.preventDefault(); event.returnValue = ""; }
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
    if (volts > kind.most) { found.push(stop(say.too_high, { volts: show(volts), type: kind.name })); }
    else if (fresh && kind.suspect !== null && volts < kind.suspect) { found.push(stop(say.flat_in, { volts: show(volts) })); }
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
      if (!label && kit.knows_packs) { found.push(look(say.no_pack)); }
      if (!visit.polarity) { found.push(stop(say.polarity)); }
      if (figure(visit.plug_volts) === null) { found.push(look(say.no_meter)); }
    }
    if (visit.when && visit.when.slice(0, 10) !== kit.day) { found.push(look(say.other_day)); }
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
    if (load.aboard && (figure(load.volts) === null || !load.polarity)) { found.push(look(say.unmetered)); }
    return found;
  }
  function list(box, found) {
    if (!box) { return; }
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

  // --- packs to tap instead of to type -------------------------------------------------------------
  function taken(field, besides) {
    var used = bare();
    if (field === "id") {
      Object.keys(state.load).forEach(function (slot) { if (slot !== besides) { used[same(state.load[slot].id)] = true; } });
    } else {
      Object.keys(state.visits).forEach(function (key) { if (key !== besides) { used[same(state.visits[key].pack_in)] = true; } });
    }
    return used;
  }
  function choices(field, site, slot) {
    if (field === "pack_out") { return site.pack_out ? [site.pack_out] : []; }
    var wants = site ? site.type : kit.slots[slot], used = taken(site ? field : "id", site ? site.key : slot);
    var shelf = kit.packs.filter(function (pack) { return pack.shelf && pack.type === wants; }).map(function (pack) { return pack.id; });
    var loaded = Object.keys(state.load).filter(function (one) { return site && kit.slots[one] === wants && state.load[one].id; })
      .map(function (one) { return state.load[one].id.trim(); });
    // Those that the load list names come first, then the rest of the shelf.
    var named = (kit.first[wants] || []).filter(function (id) { return shelf.indexOf(id) >= 0; });
    var list = loaded.length ? loaded : named.concat(shelf.filter(function (id) { return named.indexOf(id) < 0; }));
    if (site && site.pack_in) { list = [site.pack_in].concat(list.filter(function (id) { return same(id) !== same(site.pack_in); })); }
    return list.filter(function (id) { return id && !used[same(id)]; }).slice(0, 8);
  }
  function offer(box, site, slot, values) {
    box.querySelectorAll("[data-offers]").forEach(function (row) {
      var field = row.dataset.offers, list = choices(field, site, slot), now = same(values[field]);
      var shown = JSON.stringify([list, now]);
      if (row.dataset.shown === shown) { return; }
      row.dataset.shown = shown;
      row.hidden = list.length === 0;
      var had = row.contains(document.activeElement) ? document.activeElement.textContent : null;
      row.textContent = "";
      list.forEach(function (id) {
        var knob = document.createElement("button");
        knob.type = "button";
        knob.className = "button plain";
        knob.textContent = id;
        knob.setAttribute("aria-pressed", String(same(id) === now));
        knob.addEventListener("click", function () {
          var input = box.querySelector(site ? "[data-field=" + field + "]" : "[data-load=" + field + "]");
          input.value = same(input.value) === same(id) ? "" : id;
          take(input);
        });
        row.append(knob);
        if (id === had) { knob.focus(); }
      });
    });
  }

  // --- the page ----------------------------------------------------------------------------------
  function isRecorded(visit) { return Boolean(visit && (visit.found || visit.done)); }
  function refresh() {
    var done = 0, again = document.querySelector("[data-look-again]");
    again.textContent = "";
    var aboard = 0, all = Object.keys(kit.slots), next = null;
    all.forEach(function (slot) { if (state.load[slot] && state.load[slot].aboard) { aboard += 1; } });
    document.querySelectorAll("[data-slot]").forEach(function (box) {
      var load = state.load[box.dataset.slot] || {};
      list(box.querySelector("[data-alerts]"), slotChecks(box.dataset.slot, load));
      offer(box, null, box.dataset.slot, load);
    });
    var badge = document.querySelector("[data-aboard]");
    badge.textContent = words(say.aboard, { done: aboard, all: all.length });
    badge.className = "state " + (aboard === all.length && aboard ? "is-done" : "is-open");
    document.querySelectorAll("[data-site]").forEach(function (box) {
      var site = sites[box.dataset.site], visit = state.visits[site.key];
      var found = visit ? siteChecks(site, visit) : [];
      var halted = found.some(function (one) { return one.stop; });
      list(box.querySelector("[data-alerts]"), found);
      var mark = box.querySelector("[data-state]");
      mark.textContent = halted ? say.look_again : isRecorded(visit) ? say.recorded : say.not_yet;
      mark.className = "state " + (halted ? "is-stop" : isRecorded(visit) ? "is-done" : "is-open");
      if (isRecorded(visit)) { done += 1; } else if (!next) { next = site; }
      if (halted) {
        var line = document.createElement("li"), link = document.createElement("a");
        link.href = "#site-" + site.number;
        link.textContent = words(say.site, { number: site.number }) + ": " + found.filter(function (one) { return one.stop; })[0].text;
        line.append(link);
        again.append(line);
      }
      if (!box.dataset.filled) { return; }
      box.querySelector("[data-meter]").hidden = !site.swap && !(visit && (visit.pack_in || visit.done === "swapped" || visit.done === "installed"));
      offer(box, site, null, visit || {});
    });
    document.querySelector("[data-progress]").textContent = words(say.progress, { done: done, all: kit.sites.length });
    var follow = document.querySelector("[data-next]"), due = document.querySelector("[data-unsent]"), left = unsent().length;
    follow.href = next ? "#site-" + next.number : "#send";
    follow.firstElementChild.textContent = next ? words(say.next, { number: next.number, name: next.name }) : left ? say.all_done : say.all_sent;
    due.hidden = !left || !next;
    due.textContent = words(say.unsent, { count: left });
    due.parentElement.classList.toggle("late", left > 0 && (!next || Date.now() > kit.back));
    document.querySelector("[data-still-unsent]").textContent = left ? words(say.unsent_words, { count: left }) : "";
    document.querySelector("[data-undo]").disabled = !past.length;
  }
  // --- taking back ---------------------------------------------------------------------------------
  var past = [], lastInput = null;
  function remember(input) {
    // Letters typed one after the other into one field are one step.
    if (input && input === lastInput && input.type !== "checkbox" && input.type !== "radio") { return; }
    lastInput = input;
    past.push(JSON.stringify(state));
    if (past.length > 60) { past.shift(); }
  }
  function undo() {
    if (!past.length) { return; }
    var old = JSON.parse(past.pop()), sent = state.sent;
    Object.keys(old).forEach(function (key) { state[key] = typeof old[key] === "object" ? bare(old[key]) : old[key]; });
    state.sent = sent; // what was sent stays sent
    lastInput = null;
    showAll();
    keep();
    refresh();
    told.textContent = "";
    setTimeout(function () { told.textContent = say.undone; }, 50);
  }
  document.querySelector("[data-undo]").addEventListener("click", undo);
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
    var tick = input.dataset.tick, field = input.dataset.field, load = input.dataset.load, note = input.dataset.note;
    if (!tick && !field && !load && !note && !("by" in input.dataset)) { return; }
    if (input.type === "radio" && !input.checked) { return; }
    remember(input);
    var value = input.type === "checkbox" ? input.checked : input.value;
    if (tick) { state.ticks[tick] = value; }
    else if (field) {
      visitOf(input.closest("[data-site]"))[field] = value;
    } else if (load) {
      var slot = input.closest("[data-slot]").dataset.slot;
      state.load[slot] = state.load[slot] || {};
      state.load[slot][load] = value;
    } else if (note) { state.notes[note] = value; }
    else { state.by = value; }
    keep();
    refresh();
  }
  function isSwitch(input) { return input.type === "checkbox" || input.type === "radio" || input.tagName === "SELECT"; }
  document.addEventListener("input", function (event) { if (!isSwitch(event.target)) { take(event.target); } });
  document.addEventListener("change", function (event) { if (isSwitch(event.target)) { take(event.target); } });
  // --- forms, put in where they are opened -----------------------------------------------------------
  function copyOf(template) { return document.importNode(template.content, true); }
  function openSite(box) {
    var site = sites[box.dataset.site];
    box.append(copyOf(document.getElementById("record-form")));
    box.dataset.filled = "yes";
    box.querySelectorAll("[type=radio]").forEach(function (input) { input.name += "-" + site.number; });
    ["pack_out", "pack_in"].forEach(function (field) {
      if (site[field]) { box.querySelector("[data-field=" + field + "]").placeholder = site[field] + "?"; }
    });
    box.querySelector("[data-meter-words]").textContent = words(say.meter, { volts: show(site.takes) + " V", plug: site.plug });
    fill(box, state.visits[site.key] || {}, "field");
    box.querySelector("[data-as-planned]").addEventListener("click", function () {
      remember(null);
      var visit = visitOf(box);
      if (site.kind !== "set out") { visit.found = visit.found || "running"; }
      visit.done = visit.done || { "swap": "swapped", "set out": "installed", "take in": "removed" }[site.kind] || "left";
      if (site.kind === "swap" || site.kind === "take in") { visit.pack_out = visit.pack_out || site.pack_out; }
      if (site.swap) { visit.pack_in = visit.pack_in || site.pack_in; }
      fill(box, visit, "field");
      keep();
      refresh();
    });
    var clear = box.querySelector("[data-clear]"), label = clear.textContent;
    clear.addEventListener("click", function () {
      if (clear.textContent === label) { clear.textContent = say.confirm_clear; return; }
      clear.textContent = label;
      remember(null);
      delete state.visits[site.key];
      fill(box, {}, "field");
      keep();
      refresh();
    });
    clear.addEventListener("blur", function () { clear.textContent = label; });
    openJobs(box, site);
  }
  // Jobs are kept by their words, so that another kit of this trip finds them again.
  var JOB = "job:";
  function openJobs(box, site) {
    var place = box.querySelector("[data-jobs]"), visit = state.visits[site.key] || {};
    place.hidden = site.jobs.length === 0;
    site.jobs.forEach(function (job) {
      var line = document.createElement("label"), input = document.createElement("input"), text = document.createElement("span");
      line.className = "tick";
      input.type = "checkbox";
      input.dataset.field = JOB + job;
      input.checked = Boolean(visit[JOB + job]);
      text.textContent = job;
      line.append(input, text);
      place.append(line);
    });
    box.querySelector("[data-as-planned]").addEventListener("click", function () {
      site.jobs.forEach(function (job) { visitOf(box)[JOB + job] = true; });
      fill(box, visitOf(box), "field");
      keep();
      refresh();
    });
  }
  function jobsDone(visit) {
    var found = Object.keys(visit).filter(function (key) { return key.indexOf(JOB) === 0 && visit[key]; });
    return found.length ? found.map(function (key) { return key.slice(JOB.length); }) : null;
  }
  function openLoad(box) {
    var body = box.querySelector(".record-body");
    box.dataset.filled = "yes";
    Object.keys(kit.slots).forEach(function (slot) {
      body.append(copyOf(document.querySelector("[data-slot-form='" + kit.types[kit.slots[slot]].letter + "']")));
      var place = body.lastElementChild;
      place.dataset.slot = slot;
      place.querySelector("[data-number]").textContent = slot;
      place.querySelector("[data-spare]").hidden = kit.spares.indexOf(Number(slot)) < 0;
      fill(place, state.load[slot] || {}, "load");
    });
  }
  document.querySelectorAll("details.record").forEach(function (box) {
    function fillIn() {
      if (box.dataset.filled) { return; }
      if (box.dataset.site) { openSite(box); } else { openLoad(box); }
      refresh();
    }
    // The form is there before the box opens, so that the page does not jump twice; the browser may also open a box
    // by itself, as where it finds a word in it.
    box.querySelector("summary").addEventListener("click", fillIn);
    box.addEventListener("toggle", function () { if (box.open) { fillIn(); } });
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
        minutes: number(visit.minutes), notes: notes || null,
        jobs_done: jobsDone(visit), polarity: visit.polarity ? true : null
      };
    });
    return { format: "tripplan-results/1", trip_id: data.trip_id, by: state.by.trim(), visits: visits };
  }
  var answer = document.querySelector("[data-sent]");
  function mark(visit) { return tripplanResults.crc32(JSON.stringify(visit)); }
  function unsent() {
    return results().visits.filter(function (visit) { return state.sent[visit.site_id] !== mark(visit); });
  }
  function sent(text) {
    results().visits.forEach(function (visit) { state.sent[visit.site_id] = mark(visit); });
    keep();
    refresh();
    answer.textContent = text;
  }
  var KINDS = { json: "application/json", csv: "text/csv", txt: "text/plain" };
  function file(kind) {
    var found = results(), name = "results-" + found.trip_id + "." + kind;
    var text = kind === "json" ? JSON.stringify(found, null, 1) + "\n" : kind === "csv" ? tripplanResults.csv(found) : tripplanResults.text(found) + "\n";
    return new File([text], name, { type: KINDS[kind] });
  }
  function any() {
    if (Object.keys(state.visits).length) { return true; }
    answer.textContent = say.nothing;
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
      sent(words(say.saved, { name: made.name }));
    });
  });
  // A phone may hand over one kind of file and not another; the short text goes where no file does.
  var share = document.querySelector("[data-share]");
  function shareable() {
    if (!navigator.share) { return null; }
    var kind = Object.keys(KINDS).find(function (one) {
      try { return navigator.canShare && navigator.canShare({ files: [file(one)] }); } catch (error) { return false; }
    });
    return kind ? { files: [file(kind)] } : { text: tripplanResults.text(results()) };
  }
  share.hidden = shareable() === null;
  share.addEventListener("click", function () {
    if (!any()) { return; }
    navigator.share(shareable()).then(function () { sent(say.shared); }, function () { /* the person changed their mind */ });
  });
  document.querySelector("[data-copy]").addEventListener("click", function () {
    if (!any()) { return; }
    var field = document.querySelector("[data-text-field]"), area = document.querySelector("[data-text]");
    area.value = tripplanResults.text(results());
    field.hidden = false;
    area.focus();
    area.select();
    function byHand() { answer.textContent = say.copy_by_hand; }
    try {
      navigator.clipboard.writeText(area.value).then(function () { sent(say.copied); }, byHand);
    } catch (error) { byHand(); }
  });

  function showAll() {
    document.querySelectorAll("[data-tick]").forEach(function (input) { input.checked = Boolean(state.ticks[input.dataset.tick]); });
    document.querySelectorAll("[data-note]").forEach(function (input) { input.value = state.notes[input.dataset.note] || ""; });
    document.querySelectorAll("[data-slot]").forEach(function (box) { fill(box, state.load[box.dataset.slot] || {}, "load"); });
    document.querySelectorAll("[data-site]").forEach(function (box) { fill(box, state.visits[sites[box.dataset.site].key] || {}, "field"); });
    document.querySelector("[data-by]").value = state.by;
  }
  recall();
  showAll();
  tellKept();
  refresh();
}());

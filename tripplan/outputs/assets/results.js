// Results as they travel: a table and a short text. Nothing here knows the page.
var tripplanResults = (function () {
  "use strict";
  var FIELDS = ["found", "cause", "done", "pack_out", "volts_out", "pack_in", "volts_in", "minutes", "notes"];
  var COLUMNS = ["trip_id", "by", "site_id", "when"].concat(FIELDS, ["jobs_done", "polarity"]);
  function asCsv(found) {
    function cell(value) {
      if (value === null || value === undefined) { return ""; }
      if (typeof value === "number") { return String(value); }
      if (value === true) { return "yes"; }
      if (Array.isArray(value)) { value = value.join("; "); }
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
      parts.push(part("site", visit.site_id) + ["when"].concat(FIELDS).map(function (name) { return part(name, visit[name]); }).join("")
        + (visit.jobs_done || []).map(function (job) { return part("job", job); }).join("") + (visit.polarity ? part("polarity", "yes") : ""));
    });
    var sending = crc32(parts.join("")).slice(0, 4);
    return parts.map(function (fields, k) {
      return "tripplan " + (k + 1) + "of" + parts.length + "=" + sending + ": " + fields.replace(/;/g, "; ") + "#" + crc32(fields).slice(0, 4);
    }).join("\n");
  }
  return { csv: asCsv, text: asText, crc32: crc32 };
}());

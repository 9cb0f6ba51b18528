// The live map. Leaflet and the marks are there already; this adds views, names, scale, north, position.
// All words and names come from the page's data block and reach the page through textContent only.
// A mark stands for a moment with the default icon, which would load a picture: it must not.
L.Marker.prototype.options.icon = L.divIcon();

function tripplanMap(map, names, marks, lines) {
  "use strict";
  var data = JSON.parse(document.getElementById("kit-data").textContent);
  var say = data.words;
  var frame = document.querySelector(".live-frame");
  var note = frame.querySelector(".live-note");
  var home = {};
  names.forEach(function (name) { home[name] = marks[name].getLatLng(); });

  function show(name) {
    note.textContent = "";
    var item = data.marks[name];
    var title = document.createElement("b");
    title.textContent = item.title;
    note.append(title);
    if (item.words) { note.append(document.createTextNode(" " + item.words)); }
    if (item.link) {
      var link = document.createElement("a");
      link.href = item.link;
      link.textContent = say.to_card;
      note.append(document.createTextNode(" "), link);
    }
  }
  names.forEach(function (name) {
    var mark = marks[name];
    var element = mark.getElement();
    element.setAttribute("aria-label", data.marks[name].title);
    element.setAttribute("role", "button");
    element.title = data.marks[name].title;
    mark.on("click keypress", function (event) {
      if (event.type === "keypress" && event.originalEvent.key !== "Enter") { return; }
      show(name);
    });
  });

  // Which way: an arrowhead on every piece of a line that has room for one.
  var arrows = L.layerGroup().addTo(map);
  function point() {
    arrows.clearLayers();
    lines.forEach(function (line) {
      var way = line.getLatLngs();
      for (var k = 1; k < way.length; k += 1) {
        var a = map.latLngToLayerPoint(way[k - 1]), b = map.latLngToLayerPoint(way[k]);
        if (a.distanceTo(b) < 76) { continue; }
        var icon = L.divIcon({ className: "live-arrow", iconSize: [20, 20], iconAnchor: [10, 10] });
        var at = map.layerPointToLatLng([a.x + 0.6 * (b.x - a.x), a.y + 0.6 * (b.y - a.y)]);
        var head = L.marker(at, { icon: icon, interactive: false, keyboard: false, zIndexOffset: -2000 }).addTo(arrows);
        var turn = Math.atan2(b.y - a.y, b.x - a.x) * 180 / Math.PI;
        svg(head.getElement(), 20, 20, [["path", { "class": "arrow", d: "M-8 -7L8 0L-8 7Z", transform: "translate(10,10) rotate(" + turn.toFixed(1) + ")" }]]);
      }
    });
  }

  // A light grid of round lengths, so that distances can be judged by eye.
  map.createPane("grid").style.zIndex = 250;
  var grid = L.layerGroup().addTo(map);
  function rule(step) {
    grid.clearLayers();
    var view = map.getBounds(), middle = map.getCenter();
    var tall = step / 111195, wide = tall / Math.max(0.02, Math.cos(middle.lat * Math.PI / 180));
    var style = { className: "live-grid", pane: "grid", interactive: false };
    for (var lat = middle.lat - tall * 12; lat <= middle.lat + tall * 12; lat += tall) {
      L.polyline([[lat, view.getWest() - 1], [lat, view.getEast() + 1]], style).addTo(grid);
    }
    for (var lon = middle.lng - wide * 12; lon <= middle.lng + wide * 12; lon += wide) {
      L.polyline([[view.getSouth() - 1, lon], [view.getNorth() + 1, lon]], style).addTo(grid);
    }
  }

  // Marks that would cover each other step aside, with a thin line to where they belong.
  var leaders = L.layerGroup().addTo(map);
  function arrange() {
    leaders.clearLayers();
    var shown = ["base"];
    data.stops.forEach(function (stop) {
      var park = map.latLngToLayerPoint(home[stop.mark]);
      var far = 0;
      stop.sites.forEach(function (name) {
        far = Math.max(far, park.distanceTo(map.latLngToLayerPoint(home[name])));
      });
      // A loop smaller than a mark is drawn as its parking alone until the map is close enough.
      var open = far > 70 || map.getZoom() >= 17;
      shown.push(stop.mark);
      var label = marks[stop.mark].getElement().querySelector(".live-numbers");
      if (!label) {
        label = document.createElement("div");
        label.className = "live-numbers";
        label.textContent = stop.numbers;
        marks[stop.mark].getElement().append(label);
      }
      label.hidden = open;
      stop.sites.forEach(function (name) {
        marks[name].getElement().classList.toggle("off", !open);
        if (open) { shown.push(name); }
      });
    });
    var at = shown.map(function (name, k) {
      var p = map.latLngToLayerPoint(home[name]);
      return { x: p.x + 0.01 * k * Math.cos(2.4 * k), y: p.y + 0.01 * k * Math.sin(2.4 * k) };
    });
    for (var round = 0; round < 60; round += 1) {
      var moved = false;
      for (var i = 0; i < at.length; i += 1) {
        for (var j = i + 1; j < at.length; j += 1) {
          var dx = at[j].x - at[i].x, dy = at[j].y - at[i].y, far = Math.hypot(dx, dy);
          if (far < 42) {
            var push = (43 - far) / 2 / Math.max(far, 1e-6);
            at[i].x -= dx * push; at[i].y -= dy * push;
            at[j].x += dx * push; at[j].y += dy * push;
            moved = true;
          }
        }
      }
      if (!moved) { break; }
    }
    shown.forEach(function (name, k) {
      var belongs = map.latLngToLayerPoint(home[name]);
      var away = Math.hypot(belongs.x - at[k].x, belongs.y - at[k].y) > 5;
      var place = away ? map.layerPointToLatLng(L.point(at[k].x, at[k].y)) : home[name];
      marks[name].setLatLng(place);
      if (away) {
        L.polyline([home[name], place], { className: "leader", interactive: false, weight: 1.2 }).addTo(leaders);
        L.circleMarker(home[name], { className: "leader-dot", interactive: false, radius: 3.5, stroke: false, fillOpacity: 1 }).addTo(leaders);
      }
    });
  }

  function svg(parent, width, height, inside) {
    // `inside` is built of numbers and of texts of our own catalogue, set below as text.
    var picture = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    picture.setAttribute("width", width);
    picture.setAttribute("height", height);
    picture.setAttribute("aria-hidden", "true");
    inside.forEach(function (part) {
      var shape = document.createElementNS("http://www.w3.org/2000/svg", part[0]);
      Object.keys(part[1]).forEach(function (key) { shape.setAttribute(key, part[1][key]); });
      if (part[2]) { shape.textContent = part[2]; }
      picture.append(shape);
    });
    parent.textContent = "";
    parent.append(picture);
  }
  function nice(longest) {
    var power = Math.pow(10, Math.floor(Math.log10(longest)));
    return [5, 2, 1].find(function (step) { return step * power <= longest; }) * power;
  }
  var scale = L.control({ position: "bottomleft" });
  scale.onAdd = function () { return L.DomUtil.create("div", "live-scale"); };
  scale.addTo(map);
  var north = L.control({ position: "topright" });
  north.onAdd = function () {
    var box = L.DomUtil.create("div", "live-north");
    svg(box, 30, 52, [
      ["path", { d: "M15 2L24 32L15 26L6 32Z", fill: "currentColor" }],
      ["text", { x: 15, y: 49, "text-anchor": "middle" }, say.north]
    ]);
    return box;
  };
  north.addTo(map);
  function measure() {
    var size = map.getSize(), y = size.y / 2;
    var across = map.distance(map.containerPointToLatLng([0, y]), map.containerPointToLatLng([100, y])) / 100;
    if (!(across > 0)) { return; }
    var unit = data.metric ? 1 : 1609.344;
    var metres = nice(130 * across / unit) * unit;
    var text = data.metric
      ? (metres < 1000 ? metres + " m" : metres / 1000 + " km")
      : String(Math.round(metres / unit * 1000) / 1000) + " mi";
    var length = metres / across;
    rule(metres);
    svg(scale.getContainer(), 200, 26, [
      ["path", { d: "M3 8V20H" + (length + 3).toFixed(1) + "V8", fill: "none", stroke: "currentColor", "stroke-width": 3 }],
      ["text", { x: (length + 10).toFixed(1), y: 21 }, text.replace(".", say.decimal)]
    ]);
  }

  function bounds(list) { return L.latLngBounds(list.map(function (name) { return home[name]; })); }
  var views = frame.querySelector(".live-buttons");
  function button(text, name, act, toggles) {
    var knob = document.createElement("button");
    knob.type = "button";
    knob.textContent = text;
    if (name) { knob.setAttribute("aria-label", name); }
    knob.addEventListener("click", function () {
      if (toggles) {
        views.querySelectorAll("[aria-pressed]").forEach(function (other) { other.setAttribute("aria-pressed", "false"); });
        knob.setAttribute("aria-pressed", "true");
      }
      act();
    });
    if (toggles) { knob.setAttribute("aria-pressed", "false"); }
    views.append(knob);
    return knob;
  }
  // No animation: a tap during one would be lost.
  function fit(list, nearest) { map.fitBounds(bounds(list), { padding: [46, 46], maxZoom: nearest, animate: false }); }
  var trip = ["base"].concat(data.stops.map(function (stop) { return stop.mark; }));
  var whole = button(say.whole, "", function () { fit(trip, 15); }, true);
  data.stops.forEach(function (stop) {
    button(stop.label, say.stop + " " + stop.label, function () { fit([stop.mark].concat(stop.sites), 17); show(stop.mark); }, true);
  });
  button("+", say.zoom_in, function () { map.zoomIn(1); });
  button("\u2212", say.zoom_out, function () { map.zoomOut(1); });

  // The crew's own position: only on request, only where the phone allows it for a local file.
  if (navigator.geolocation) {
    var me = null;
    button(say.me, "", function () {
      try {
        navigator.geolocation.getCurrentPosition(function (found) {
          var at = L.latLng(found.coords.latitude, found.coords.longitude);
          if (!me) {
            var icon = L.divIcon({ className: "live-mark me", iconSize: [44, 44], iconAnchor: [22, 22] });
            me = L.marker(at, { icon: icon, interactive: false, keyboard: false }).addTo(map);
            svg(me.getElement(), 44, 44, [["path", { d: "M22 4L27 17L40 22L27 27L22 40L17 27L4 22L17 17Z" }]]);
          }
          me.setLatLng(at);
          map.setView(at, Math.max(map.getZoom(), 14));
          var far = Math.round(data.metric ? found.coords.accuracy : found.coords.accuracy / 0.3048);
          note.textContent = say.me_at.replace("{distance}", far + (data.metric ? " m" : " ft"));
        }, function () { note.textContent = say.no_position; }, { enableHighAccuracy: true, timeout: 20000 });
      } catch (error) { note.textContent = say.no_position; }
    });
  }

  frame.hidden = false;
  document.documentElement.classList.add("has-map");
  map.invalidateSize();
  map.on("zoomend", arrange);
  map.on("zoomend", point);
  map.on("zoomend moveend", measure);
  map.fitBounds(bounds(trip), { padding: [46, 46], maxZoom: 15, animate: false });
  whole.setAttribute("aria-pressed", "true");
  arrange();
  point();
  measure();
}

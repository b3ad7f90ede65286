// The page's own script: buttons, keyboard, printing. `settings` and `map` come from the page.
// Texts arrive with their dangerous characters as numeric entities: they cannot be markup.
function geoleakDiscs(group, rows, style) {
  "use strict";
  rows.forEach(function (row) {
    var told = "";
    for (var i = 0; i + 1 < row[4].length; i += 2) {
      told += "<dt>" + row[4][i] + "</dt><dd>" + row[4][i + 1] + "</dd>";
    }
    L.circleMarker([row[0], row[1]], {
      pane: "spots", radius: style.radius, color: style.color, weight: style.weight,
      fillColor: row[2], fillOpacity: 1
    }).bindPopup('<div class="pop"><h2>' + row[3] + "</h2><dl>" + told + "</dl></div>",
      { maxWidth: 280 }).addTo(group);
  });
}

function geoleakPage(map, settings) {
  "use strict";
  var say = document.getElementById("say");

  function show(box, atOnce) {
    if (box && box.length === 2) {
      // The controls hold the left edge, the scale bar the lower one.
      var left = map.getSize().x > 700 ? 100 : 44;
      map.fitBounds(box, { paddingTopLeft: [left, 44], paddingBottomRight: [34, 60],
        maxZoom: settings.maxZoom, animate: !atOnce });
    }
  }

  var north = L.control({ position: "topright" });
  north.onAdd = function () {
    var made = L.DomUtil.create("div", "north");
    made.innerHTML = '<svg viewBox="-12 -22 24 40" width="24" height="40" role="img" aria-label="North is up">' +
      '<path d="M0-20L8 2L0-3L-8 2Z"/><text y="17" text-anchor="middle" font-size="15">N</text></svg>';
    return made;
  };
  north.addTo(map);

  // Leaflet's plane has no unit of its own: one unit of a local site is one metre.
  L.control.scale({ maxWidth: 140, position: "bottomleft" }).addTo(map);

  function button(text, hint, press) {
    var control = L.control({ position: "topleft" });
    control.onAdd = function () {
      var made = L.DomUtil.create("button", "press leaflet-bar");
      made.type = "button";
      made.textContent = text;
      made.title = hint;
      made.setAttribute("aria-label", hint);
      L.DomEvent.disableClickPropagation(made);
      L.DomEvent.on(made, "click", press);
      return made;
    };
    control.addTo(map);
  }

  button(settings.first[0], settings.first[1], function () { show(settings.close); });
  button("All", "Show the whole site", function () { show(settings.whole); });

  var dot = null;
  var ring = null;
  function here(found) {
    var at = [found.coords.latitude, found.coords.longitude];
    if (dot) { dot.remove(); ring.remove(); }
    ring = L.circle(at, { radius: found.coords.accuracy, className: "here-ring", interactive: false });
    dot = L.circleMarker(at, { radius: 8, className: "here", interactive: false });
    ring.addTo(map);
    dot.addTo(map);
    var box = L.latLngBounds([at]);
    if (settings.near.length === 2) { box.extend(settings.near[0]).extend(settings.near[1]); }
    map.fitBounds(box, { padding: [34, 34], maxZoom: settings.maxZoom });
    say.textContent = "Your position, within " + Math.round(found.coords.accuracy) +
      " m as the phone says. A phone is a courtesy: " + settings.courtesy + ".";
  }
  if (!settings.local) {
    button("Me", "Show my position", function () {
      if (!navigator.geolocation) {
        say.textContent = "This browser gives no position.";
        return;
      }
      say.textContent = "Asking for your position ...";
      navigator.geolocation.getCurrentPosition(here, function () {
        say.textContent = "No position: the browser or the person refused it.";
      }, { enableHighAccuracy: true, timeout: 20000 });
    });
  }

  // Shapes take part in the keyboard's round like markers do, named by their pop-up.
  function nameShape(layer) {
    var element = layer.getElement && layer.getElement();
    var popup = layer.getPopup && layer.getPopup();
    if (!element || !popup || element.getAttribute("aria-label")) { return; }
    var holder = document.createElement("div");
    holder.innerHTML = popup.getContent();
    var head = holder.querySelector("h2");
    var parts = Array.prototype.map.call(holder.querySelectorAll("dt, dd"), function (each) {
      return each.textContent;
    });
    element.setAttribute("tabindex", "0");
    element.setAttribute("role", "button");
    element.setAttribute("aria-label", (head ? head.textContent + ": " : "") + parts.join(" "));
    if (layer instanceof L.Marker) { return; }
    L.DomEvent.on(element, "keydown", function (event) {
      if (event.key === "Enter" || event.key === " ") {
        event.preventDefault();
        layer.openPopup();
      }
    });
  }
  map.eachLayer(nameShape);
  map.on("layeradd", function (event) { nameShape(event.layer); });

  var toggle = document.querySelector(".leaflet-control-layers-toggle");
  if (toggle) {
    toggle.textContent = "Layers";
    toggle.setAttribute("aria-label", "Choose layers");
  }

  // Station labels that would run into each other are left out.
  var ticks = Array.prototype.map.call(document.querySelectorAll(".tick"), function (each) {
    var found = / n(\d+) step(\d+)_(\d+)/.exec(" " + each.className);
    return { element: each, number: +found[1], step: +(found[2] + "." + found[3]) };
  });
  function thin() {
    var middle = map.getSize().divideBy(2);
    var metres = map.distance(
      map.containerPointToLatLng(middle), map.containerPointToLatLng(middle.add([100, 0]))) / 100;
    ticks.forEach(function (tick) {
      var gap = tick.step / metres;
      var every = [1, 2, 4, 5, 10, 20, 50, 100, 1000].find(function (n) { return gap * n >= 58; });
      tick.element.classList.toggle("bare", tick.number % (every || 1000) !== 0);
      tick.element.classList.toggle("gone", gap < 9 && tick.number % (every || 1000) !== 0);
    });
    clear();
  }
  // A station gives way to the labels that matter more, and to a station already written.
  function clear() {
    function box(each) { return each.getBoundingClientRect(); }
    function boxes(css) { return Array.prototype.map.call(document.querySelectorAll(css), box); }
    function meets(mine, others) {
      return others.some(function (other) {
        return mine.left < other.right + 2 && mine.right + 2 > other.left &&
          mine.top < other.bottom + 1 && mine.bottom + 1 > other.top;
      });
    }
    var taken = boxes(".stake b, .stake svg, .next svg, .tape span, .fixed b, .contact span");
    // Where to listen: the word stands beside its pin, inside the map and clear of other pins.
    var middle = box(map.getContainer()).left + map.getSize().x / 2;
    Array.prototype.forEach.call(document.querySelectorAll(".next"), function (pin) {
      var word = pin.querySelector("b");
      pin.classList.remove("wordless");
      pin.classList.toggle("turned", box(pin).left > middle);
      if (meets(box(word), taken)) { pin.classList.toggle("turned"); }
      if (meets(box(word), taken)) { pin.classList.add("wordless"); } else { taken.push(box(word)); }
    });
    ticks.forEach(function (tick) {
      if (tick.element.classList.contains("bare")) { return; }
      var mine = box(tick.element.querySelector("b"));
      if (meets(mine, taken)) { tick.element.classList.add("bare"); } else { taken.push(mine); }
    });
  }
  map.on("zoomend resize layeradd", thin);

  // On paper the map has the size of the sheet and shows the stake's surroundings.
  window.addEventListener("beforeprint", function () {
    map.stop();
    document.body.classList.add("on-paper");
    map.invalidateSize({ animate: false, pan: false });
    map.fitBounds(settings.near, { padding: [20, 20], maxZoom: settings.maxZoom, animate: false });
  });
  window.addEventListener("afterprint", function () {
    document.body.classList.remove("on-paper");
    map.invalidateSize({ animate: false, pan: false });
    show(settings.near, true);
  });

  map.attributionControl.setPrefix("");
  show(settings.near.length === 2 ? settings.near : settings.whole, true);
  thin();
}

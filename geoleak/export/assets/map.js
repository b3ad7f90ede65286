// The page's own script: draws the GeoJSON block, keyboard, views, printing.
// Every text of the site becomes a text node or an attribute: none can be markup.
function geoleakPage(map, groups) {
  "use strict";
  const read = id => JSON.parse(document.getElementById(id).textContent);
  const settings = read("settings"), features = read("drawn").features;
  const say = document.getElementById("say"), container = map.getContainer();
  const INK = "#14202b";

  function element(name, css, text) {
    const made = document.createElement(name);
    if (css) { made.className = css; }
    if (text) { made.textContent = text; }
    return made;
  }
  function signOf(name) {
    const space = "http://www.w3.org/2000/svg", made = document.createElementNS(space, "svg");
    const use = document.createElementNS(space, "use");
    use.setAttribute("href", "#sign-" + name);
    made.setAttribute("aria-hidden", "true");
    made.appendChild(use);
    return made;
  }

  // ---- how each sign looks: strokes of lines and areas, undermost first; discs; icons ----
  [["under", 390], ["band", 395], ["ticks", 420], ["spots", 450]].forEach(function (pane) {
    map.createPane(pane[0]).style.zIndex = pane[1];
    map.getPane(pane[0]).style.pointerEvents = "none";
  });
  const STROKES = {
    service: p => [{ color: INK, weight: 7, pane: "under" }, { color: p.colour, weight: 3.5, pane: "under" }],
    tape: () => [{ color: "#5a6670", weight: 2.5, pane: "under", dashArray: "2 7", lineCap: "round" }],
    interval: p => [{ color: p.colour, pane: "band", lineCap: "butt", opacity: 0.9,
      weight: { 95: 28, 80: 22, 50: 16 }[p.percent] || 28 }],
    pipe: () => [{ color: "#ffffff", weight: 7 }, { color: INK, weight: 3.5 }],
    assumed: () => [{ color: "#ffffff", weight: 7 }, { color: INK, weight: 3.5, dashArray: "10 7" }],
    dug: () => [{ color: "#000000", weight: 13, lineCap: "butt" }, { color: "#ffffff", weight: 8, lineCap: "butt" }],
    hole: () => [{ color: "#000000", weight: 6, fill: false },
      { color: "#ffffff", weight: 2.5, fillColor: "#ffffff", fillOpacity: 0.35, dashArray: "7 5" }]
  };
  const DISCS = {
    mark: { radius: 4, weight: 1.5, fillColor: "#ffffff" },
    level: { radius: 8, weight: 2 },
    service: { radius: 7, weight: 2.5 }
  };
  // Size in pixels and what stands on the place: the sign's middle, or the pin's foot.
  const ICONS = { stake: [36, 36], found: [32, 32], next: [34, 46, 44], fitting: [28, 28] };
  const UNREACHED = { mark: true };  // by the keyboard: a main has thousands

  function icon(about) {
    const size = ICONS[about.sign] || [26, 26], holder = element("div", "holder");
    if (about.label) { holder.appendChild(element("b", "", about.label)); }
    holder.appendChild(signOf(about.sign));
    if (about.number) { holder.dataset.number = about.number; }
    return L.divIcon({ html: holder, className: about.sign, iconSize: size.slice(0, 2),
      iconAnchor: [size[0] / 2, size[2] || size[1] / 2] });
  }
  function pointOf(about, at) {
    if (about.sign === "tick") { return tickAt(about, at); }
    if (DISCS[about.sign]) {
      return L.circleMarker(at, Object.assign({ pane: "spots", color: INK, fillColor: about.colour,
        fillOpacity: 1 }, DISCS[about.sign]));
    }
    const above = { stake: 10000, found: 9000, next: 10000 - (about.number || 0) };
    return L.marker(at, { icon: icon(about), zIndexOffset: above[about.sign] || 0, title: about.title });
  }

  const ticks = [], tapes = [];
  function tickAt(about, at) {
    const holder = element("div"), line = element("i"), word = element("b", "", about.label);
    line.style.transform = "rotate(" + about.bearing_deg + "deg)";
    // The word stands square to the line, on its upper side.
    const angle = (about.bearing_deg - 90) * Math.PI / 180;
    const side = Math.cos(angle) < -1e-6 || (Math.abs(Math.cos(angle)) < 1e-6 && Math.sin(angle) > 0) ? -1 : 1;
    word.style.transform = "translate(-50%,-50%) translate(" + Math.round(34 * side * Math.sin(angle)) +
      "px," + Math.round(-26 * side * Math.cos(angle)) + "px)";
    holder.append(line, word);
    ticks.push({ holder: holder, word: word, number: about.number, step: about.step_m });
    return L.marker(at, { icon: L.divIcon({ html: holder, className: "tick", iconSize: [0, 0] }),
      interactive: false, keyboard: false, pane: "ticks" });
  }
  function tapeLabel(layer, about) {
    const word = element("span", "", about.label);
    const label = L.marker([0, 0], { icon: L.divIcon({ html: word, className: "tape", iconSize: [0, 0] }),
      interactive: false, keyboard: false });
    const ends = layer.getLatLngs().flat(Infinity);
    tapes.push({ label: label, word: word, from: ends[0], to: ends[ends.length - 1] });
    label.setLatLng(ends[0]);
    return label;
  }

  // ---- drawing ----
  features.forEach(function (feature) {
    const about = feature.properties, group = groups[about.layer];
    const lines = STROKES[about.sign] && !/Point$/.test(feature.geometry.type);
    const styles = lines ? STROKES[about.sign](about) : [{}];
    styles.forEach(function (style, k) {
      const top = k === styles.length - 1;
      L.geoJSON(feature, {
        style: lines ? style : undefined,
        interactive: top,
        pane: style.pane || "overlayPane",
        pointToLayer: (_, at) => pointOf(about, at)
      }).eachLayer(function (layer) {
        if (top && about.rows.length) { explain(layer, about); }
        group.addLayer(layer);
        if (top && about.sign === "tape" && about.label) { group.addLayer(tapeLabel(layer, about)); }
      });
    });
  });

  // ---- pop-ups: as wide as the screen allows, scrolled where they are long ----
  function explain(layer, about) {
    const told = () => about.rows.map(row => row.join(" ")).join(" ");
    layer.on("add", function () {
      const shown = layer.getElement();
      if (!shown) { return; }
      shown.setAttribute("tabindex", UNREACHED[about.sign] ? "-1" : "0");
      if (UNREACHED[about.sign]) { return; }
      shown.setAttribute("role", "button");
      shown.setAttribute("aria-label", about.title + ": " + told());
      if (layer instanceof L.Marker) { return; }
      L.DomEvent.on(shown, "keydown", function (event) {
        if (event.key === "Enter" || event.key === " ") {
          event.preventDefault();
          layer.openPopup();
        }
      });
    });
    layer.bindPopup(function () {
      const size = map.getSize(), popup = layer.getPopup();
      popup.options.minWidth = popup.options.maxWidth = Math.min(300, size.x - 110);
      popup.options.maxHeight = Math.round(size.y * 0.55);
      const holder = element("div", "pop"), list = element("dl");
      holder.appendChild(element("h2", "", about.title));
      about.rows.forEach(row => list.append(element("dt", "", row[0]), element("dd", "", row[1])));
      holder.appendChild(list);
      return holder;
    }, { autoPanPaddingTopLeft: [64, 12], autoPanPaddingBottomRight: [12, 12] });
  }
  let open = null;
  map.on("popupopen", function (event) {
    open = event.popup;
    container.classList.add("told");
    const inside = open.getElement().querySelector(".leaflet-popup-content");
    if (inside.scrollHeight > inside.clientHeight) { inside.setAttribute("tabindex", "0"); }
  });
  // Closed by Escape or by its button, the focus goes back to the sign.
  function back(popup) { popup._source.getElement().focus({ preventScroll: true }); }
  map.on("popupclose", function (event) {
    if (event.popup.getElement().contains(document.activeElement)) { back(event.popup); }
    open = null;
    container.classList.remove("told");
  });
  document.addEventListener("keydown", function (event) {
    if (event.key !== "Escape" || !open) { return; }
    const closed = open;
    map.closePopup(closed);
    back(closed);
  });

  // ---- views ----
  function spots(signs) {
    const found = [];
    features.filter(each => signs.includes(each.properties.sign)).forEach(function (each) {
      const flat = each.geometry.coordinates.flat(Infinity);
      for (let k = 0; k < flat.length; k += 2) { found.push([flat[k], flat[k + 1]]); }
    });
    return found;
  }
  function boxOf(view) {
    // Metres in one unit of the map's axes: good to a part in a hundred, for a view only.
    const up = settings.local ? 1 : 111320;
    const across = settings.local ? 1 : up * Math.cos(settings.leak[1] * Math.PI / 180);
    let found = spots(view.signs);
    if (view.most) { found = found.slice(-view.most); }
    if (view.within_m) {
      found = found.filter(at => Math.abs(at[0] - settings.leak[0]) * across <= view.within_m &&
        Math.abs(at[1] - settings.leak[1]) * up <= view.within_m);
    }
    if (!found.length) { return null; }
    const margin = view.margin_m || 0, box = L.latLngBounds(found.map(at => [at[1], at[0]]));
    const low = box.getSouthWest(), high = box.getNorthEast();
    return L.latLngBounds([low.lat - margin / up, low.lng - margin / across],
      [high.lat + margin / up, high.lng + margin / across]);
  }
  const whole = boxOf({ signs: ["stake", "best", "pipe", "assumed", "mark", "level", "contact", "other", "fitting", "fixed"] });
  const near = boxOf(settings.near) || whole, close = boxOf(settings.close) || near;
  const maxZoom = settings.local ? 7.5 : 24.5;
  function show(box, atOnce) {
    if (!box) { return; }
    // The controls hold the left edge and the upper one; on paper there are none.
    const wide = map.getSize().x > 700, sheet = document.body.classList.contains("on-paper");
    const start = sheet ? [20, 30] : wide ? [100, 70] : [54, 44];
    map.fitBounds(box, { paddingTopLeft: start, paddingBottomRight: sheet ? [40, 20] : [40, 50], maxZoom: maxZoom,
      animate: !atOnce });
  }
  // A map that was hidden when the page was loaded (a folded cell, a tab) is fitted when it is shown.
  let seen = false;
  function fit() {
    if (!container.offsetWidth || !container.offsetHeight) { return; }
    map.invalidateSize({ animate: false, pan: seen });
    if (!seen) {
      seen = true;
      show(near, true);
    }
    thin();
  }
  new ResizeObserver(fit).observe(container);

  // ---- controls, before the panes in the keyboard's order ----
  const corner = container.querySelector(".leaflet-control-container");
  container.insertBefore(corner, container.firstChild);
  container.setAttribute("role", "application");
  container.setAttribute("aria-label", "Map of the site");
  map.attributionControl.setPrefix("");

  function control(position, made) {
    const added = L.control({ position: position });
    added.onAdd = () => made;
    added.addTo(map);
  }
  // Leaflet's plane has no unit of its own: one unit of a local site is one metre.
  const scale = L.control.scale({ maxWidth: 140, position: "bottomleft" }).addTo(map);
  const north = element("div", "north", "N");
  north.setAttribute("role", "img");
  north.setAttribute("aria-label", "N: north is up");
  scale.getContainer().prepend(north);
  function button(text, label, press) {
    const made = element("button", "press leaflet-bar", text);
    made.type = "button";
    made.title = label;
    made.setAttribute("aria-label", label);
    L.DomEvent.disableClickPropagation(made);
    L.DomEvent.on(made, "click", press);
    control("topleft", made);
  }
  button(settings.first.text, settings.first.label, () => show(close));
  button("All", "All: show the whole site", () => show(whole));
  if (!settings.local) { button("Me", "Me: show my position", locate); }
  const toggle = container.querySelector(".leaflet-control-layers-toggle");
  toggle.textContent = "Layers";
  toggle.setAttribute("aria-label", "Layers: choose what is drawn");

  let dot = null, ring = null;
  function here(found) {
    const at = [found.coords.latitude, found.coords.longitude];
    if (dot) { dot.remove(); ring.remove(); }
    ring = L.circle(at, { radius: found.coords.accuracy, className: "here-ring", interactive: false }).addTo(map);
    dot = L.circleMarker(at, { radius: 8, className: "here", interactive: false }).addTo(map);
    const box = L.latLngBounds([at]);
    map.fitBounds(near ? box.extend(near) : box, { padding: [34, 34], maxZoom: maxZoom });
    say.textContent = "Your position, within " + Math.round(found.coords.accuracy) +
      " m as the phone says. A phone is a courtesy: " + settings.courtesy + ".";
  }
  function locate() {
    if (!navigator.geolocation) {
      say.textContent = "This browser gives no position.";
      return;
    }
    say.textContent = "Asking for your position ...";
    navigator.geolocation.getCurrentPosition(here, function () {
      say.textContent = "No position: the browser or the person refused it.";
    }, { enableHighAccuracy: true, timeout: 20000 });
  }

  // ---- north and scale stand in the corner where least is drawn ----
  // What is drawn, as places on the map: a line every 8 pixels of the view.
  const vertices = features.filter(each => each.properties.sign !== "tick").map(function (each) {
    const flat = each.geometry.coordinates.flat(Infinity), found = [];
    for (let k = 0; k < flat.length; k += 2) { found.push(L.latLng(flat[k + 1], flat[k])); }
    return found;
  });
  function drawnAt() {
    const size = map.getSize(), found = [];
    vertices.forEach(function (line) {
      const at = line.map(each => map.latLngToContainerPoint(each));
      if (at.length === 1) { found.push(at[0]); }
      at.slice(1).forEach(function (end, k) {
        const ends = L.LineUtil.clipSegment(at[k], end, L.bounds([0, 0], size));
        if (!ends) { return; }
        const steps = Math.max(1, Math.ceil(ends[0].distanceTo(ends[1]) / 8));
        for (let n = 0; n <= steps; n++) {
          found.push(ends[0].add(ends[1].subtract(ends[0]).multiplyBy(n / steps)));
        }
      });
    });
    return found;
  }
  function place() {
    const spots = drawnAt(), frame = boxed(container), bar = scale.getContainer();
    const cost = [".leaflet-bottom.leaflet-left", ".leaflet-bottom.leaflet-right", ".leaflet-top.leaflet-right"].map(
      function (css) {
        const corner = container.querySelector(css);
        corner.append(bar);
        const box = boxed(bar), at = L.point(box.left - frame.left, box.top - frame.top);
        const inside = L.bounds(at.subtract([20, 20]), at.add([box.width + 20, box.height + 20]));
        return [spots.filter(spot => inside.contains(spot)).length, corner];
      });
    cost.sort((a, b) => a[0] - b[0])[0][1].append(bar);
  }

  // ---- labels that would run into each other are left out ----
  const boxed = each => each.getBoundingClientRect();
  function meets(mine, others) {
    return others.some(other => mine.left < other.right + 2 && mine.right + 2 > other.left &&
      mine.top < other.bottom + 1 && mine.bottom + 1 > other.top);
  }
  function thin() {
    place();
    const middle = map.getSize().divideBy(2);
    const metres = map.distance(map.containerPointToLatLng(middle),
      map.containerPointToLatLng(middle.add([100, 0]))) / 100;
    ticks.forEach(function (tick) {
      const gap = tick.step / metres;
      const every = [1, 2, 4, 5, 10, 20, 50, 100].find(n => gap * n >= 58) || 1000;
      tick.holder.classList.toggle("bare", tick.number % every !== 0);
      tick.holder.classList.toggle("gone", gap < 9 && tick.number % every !== 0);
    });
    const every = css => Array.from(container.querySelectorAll(css)).map(boxed);
    const taken = every(".leaflet-control, .stake b, .stake svg, .next svg, .contact svg");
    const signs = every(".leaflet-spots-pane path"), frame = boxed(container);
    // Where to listen: the word stands beside its pin, inside the map and clear of other pins.
    const off = word => meets(word, taken) || word.left < frame.left || word.right > frame.right;
    container.querySelectorAll(".next").forEach(function (pin) {
      const word = pin.querySelector("b");
      pin.classList.remove("wordless");
      pin.classList.toggle("turned", boxed(pin).left > frame.left + middle.x);
      if (off(boxed(word))) { pin.classList.toggle("turned"); }
      if (off(boxed(word))) { pin.classList.add("wordless"); } else { taken.push(boxed(word)); }
    });
    taken.push(...every(".fixed svg, .check svg"));
    // A fixed feature's name stands right of it, else left, else it is left out.
    container.querySelectorAll(".fixed b").forEach(function (word) {
      const holder = word.parentElement;
      holder.classList.remove("turned", "bare");
      if (meets(boxed(word), taken.concat(signs))) { holder.classList.add("turned"); }
      if (meets(boxed(word), taken)) { holder.classList.add("bare"); } else { taken.push(boxed(word)); }
    });
    tapes.filter(tape => tape.word.isConnected).forEach(function (tape) {
      const a = tape.from, b = tape.to;
      const free = [0.42, 0.5, 0.35, 0.58, 0.65, 0.28, 0.72].find(function (share) {
        tape.label.setLatLng([a.lat + share * (b.lat - a.lat), a.lng + share * (b.lng - a.lng)]);
        return !meets(boxed(tape.word), taken.concat(signs));
      });
      tape.word.classList.toggle("bare", free === undefined);
      if (free !== undefined) { taken.push(boxed(tape.word)); }
    });
    ticks.filter(tick => tick.word.isConnected && !tick.holder.classList.contains("bare")).forEach(function (tick) {
      const mine = boxed(tick.word);
      if (meets(mine, taken)) { tick.holder.classList.add("bare"); } else { taken.push(mine); }
    });
  }
  map.on("moveend zoomend layeradd", () => { if (seen) { thin(); } });

  // ---- on paper the map has the size of the sheet and shows the stake's surroundings ----
  function paper(on) {
    map.stop();
    document.body.classList.toggle("on-paper", on);
    map.invalidateSize({ animate: false, pan: false });
    show(near, true);
  }
  window.addEventListener("beforeprint", () => paper(true));
  window.addEventListener("afterprint", () => paper(false));
  fit();
}

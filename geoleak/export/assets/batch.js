"use strict";
// The rows: [site, verdict, chance, where, why, lon, lat, has a map]. Only the rows in
// view stand in the page, and only clusters in view on the map: ten thousand sites stay quick.
const ALL = JSON.parse(document.getElementById("rows").textContent);
const NAMES = { dig: "DIG", check_first: "CHECK FIRST", listen_on: "listen on", closed: "closed", failed: "failed" };
const ROW = 66; // pixels, as in index.html: three lines of text
const CELL = 56; // pixels: points nearer than about this stand as one
const list = document.getElementById("list");
const room = document.createElement("div");
list.append(room);
let shown = ALL;
let chosen = null;

function cell(text, kind) {
  const made = document.createElement("span");
  made.textContent = text;
  if (kind) made.className = kind;
  made.title = text;
  return made;
}

function line(row, at) {
  const [site, verdict, chance, where, why, , , map] = row;
  const made = document.createElement("div");
  made.className = "row" + (row === chosen ? " chosen" : "");
  made.setAttribute("role", "listitem");
  made.setAttribute("aria-setsize", shown.length);
  made.setAttribute("aria-posinset", at + 1);
  made.style.top = at * ROW + "px";
  const name = cell(site);
  if (map) {
    const link = document.createElement("a");
    link.href = site.split("/").map(encodeURIComponent).join("/") + "/map.html";
    link.textContent = site;
    name.replaceChildren(link);
  }
  const percent = chance === null ? "" : chance > 0.99 ? "> 99 %" : Math.round(100 * chance) + " %";
  made.append(
    name,
    cell(NAMES[verdict], verdict),
    cell(percent, "number"),
    cell(where, "wide"),
    cell(why, "wide why"),
  );
  made.addEventListener("click", () => choose(row));
  return made;
}

function draw() {
  const first = Math.max(0, Math.floor(list.scrollTop / ROW) - 5);
  const last = Math.min(shown.length, Math.ceil((list.scrollTop + list.clientHeight) / ROW) + 5);
  const lines = [];
  for (let k = first; k < last; k++) lines.push(line(shown[k], k));
  room.style.height = shown.length * ROW + "px";
  room.replaceChildren(...lines);
}

const map = L.map("map", { preferCanvas: true, attributionControl: false, worldCopyJump: true });
const layer = L.layerGroup().addTo(map);
const colour = (verdict) =>
  getComputedStyle(document.documentElement).getPropertyValue(
    { dig: "--dig", check_first: "--check", listen_on: "--listen", closed: "--ink", failed: "--failed" }[verdict],
  );

function cluster() {
  layer.clearLayers();
  const view = map.getBounds().pad(0.2);
  const cells = new Map();
  for (const row of shown) {
    if (row[5] === null || !view.contains([row[6], row[5]])) continue;
    const at = map.project([row[6], row[5]]);
    const key = Math.floor(at.x / CELL) + ":" + Math.floor(at.y / CELL);
    const each = cells.get(key) || { x: 0, y: 0, rows: [] };
    each.x += at.x;
    each.y += at.y;
    each.rows.push(row);
    cells.set(key, each);
  }
  for (const { x, y, rows } of cells.values()) {
    const place = map.unproject([x / rows.length, y / rows.length]);
    const ink = colour(rows[0][1]); // rows stand in order: the most urgent first
    const mark = L.circleMarker(place, {
      radius: rows.length === 1 ? 8 : 10 + 3 * Math.log10(rows.length),
      color: ink, weight: rows[0] === chosen ? 5 : 2, fillColor: ink, fillOpacity: 0.35,
    });
    const text = rows.length === 1 ? rows[0][0] + ": " + NAMES[rows[0][1]] : rows.length + " sites";
    mark.bindTooltip(document.createTextNode(text).textContent.replace(/[&<>]/g, (c) => "&#" + c.charCodeAt(0) + ";"));
    // A finger hovers over nothing: how many stand here is on the map itself.
    if (rows.length > 1) {
      const icon = L.divIcon({ className: "count", html: String(rows.length), iconSize: [44, 20] });
      layer.addLayer(L.marker(place, { icon, interactive: false, keyboard: false }));
    }
    mark.on("click", () => {
      // Sites at one place come one after the other.
      if (rows.length === 1 || map.getZoom() >= 19) choose(rows[(rows.indexOf(chosen) + 1) % rows.length], true);
      else map.fitBounds(L.latLngBounds(rows.map((row) => [row[6], row[5]])).pad(0.2), { maxZoom: 19 });
    });
    layer.addLayer(mark);
  }
}

function choose(row, scroll) {
  chosen = row;
  document.getElementById("said").textContent = row[0] + ": " + row[4]; // in the row it may be cut
  if (scroll) list.scrollTop = shown.indexOf(row) * ROW;
  else if (row[5] !== null) map.setView([row[6], row[5]], Math.max(map.getZoom(), 12));
  draw();
  cluster();
}

function sift() {
  const word = document.getElementById("find").value.trim().toLowerCase();
  const verdict = document.getElementById("verdict").value;
  shown = ALL.filter(
    (row) => (!verdict || row[1] === verdict) && (!word || (row[0] + " " + row[4]).toLowerCase().includes(word)),
  );
  const count = document.getElementById("count");
  const digs = shown.filter((row) => row[1] === "dig").length;
  count.textContent = shown.length + " of " + ALL.length + " sites, " + digs + " to dig";
  list.scrollTop = 0;
  draw();
  cluster();
}

const placed = ALL.filter((row) => row[5] !== null).map((row) => [row[6], row[5]]);
if (placed.length) map.fitBounds(L.latLngBounds(placed).pad(0.1), { maxZoom: 17 });
else map.setView([0, 0], 1);
map.on("moveend zoomend resize", cluster);
list.addEventListener("scroll", () => requestAnimationFrame(draw));
window.addEventListener("resize", draw);
document.getElementById("find").addEventListener("input", sift);
document.getElementById("verdict").addEventListener("change", sift);
sift();

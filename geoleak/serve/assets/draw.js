// The pipe, its odds and its marks as SVG; working metres in, north up.
const NS = "http://www.w3.org/2000/svg";

export function element(name, attributes, text) {
  const made = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

// What stands in the drawing is kept readable at any scale: sizes are in pixels, places in metres.
export class Drawing {
  constructor(svg, chosen) {
    this.svg = svg;
    this.chosen = chosen;
    this.own = null;
    this.centre = null;
    this.scale = null; // pixels a metre
    let from = null;
    svg.addEventListener("pointerdown", (event) => {
      from = [event.clientX, event.clientY];
    });
    svg.addEventListener("pointermove", (event) => {
      if (!from || !event.buttons) return;
      const moved = [event.clientX - from[0], event.clientY - from[1]];
      if (Math.hypot(...moved) < 6) return;
      from = [event.clientX, event.clientY];
      this.centre = [this.centre[0] - moved[0] / this.scale, this.centre[1] + moved[1] / this.scale];
      this.draw();
    });
    svg.addEventListener("pointerup", () => (from = null));
    new ResizeObserver(() => this.state && this.draw()).observe(svg);
  }

  show(state, aim) {
    this.state = state;
    this.aim = aim;
    if (this.scale === null && state.legs.length) this.whole();
    else this.draw();
  }

  whole() {
    const all = this.state.legs.flatMap((leg) => leg.vertices);
    if (!all.length) return;
    const [xs, ys] = [all.map((v) => v[0]), all.map((v) => v[1])];
    const [low, high] = [[Math.min(...xs), Math.min(...ys)], [Math.max(...xs), Math.max(...ys)]];
    const { width, height } = this.size();
    this.centre = [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2];
    this.scale = Math.min((width - 60) / Math.max(high[0] - low[0], 2), (height - 60) / Math.max(high[1] - low[1], 2));
    this.draw();
  }

  zoom(times) {
    this.scale *= times;
    this.draw();
  }

  to(place) {
    this.centre = place;
    this.scale = Math.max(this.scale || 0, 25);
    this.draw();
  }

  size() {
    return { width: this.svg.clientWidth || 360, height: this.svg.clientHeight || 300 };
  }

  draw() {
    if (this.scale === null) return;
    const { width, height } = this.size();
    const at = ([x, y]) => [
      width / 2 + (x - this.centre[0]) * this.scale,
      height / 2 - (y - this.centre[1]) * this.scale,
    ];
    const parts = [];
    for (const leg of this.state.legs) {
      parts.push(element("polyline", { class: "pipe", points: leg.vertices.map((v) => at(v).join()).join(" ") }));
      const most = Math.max(...leg.odds.map((o) => o[3]), 0);
      for (let k = 1; k < leg.odds.length; k++) {
        const share = (leg.odds[k - 1][3] + leg.odds[k][3]) / 2 / most;
        if (!(share > 0.02)) continue;
        const [a, b] = [at(leg.odds[k - 1].slice(1, 3)), at(leg.odds[k].slice(1, 3))];
        parts.push(element("line", { class: "odds", x1: a[0], y1: a[1], x2: b[0], y2: b[1], "stroke-width": 3 + 13 * share }));
      }
    }
    let labelled = [];
    const names = []; // over the signs, which stand close
    for (const point of this.state.points) {
      if (point.kind !== "mark" && point.kind !== "fitting") continue;
      const [x, y] = at(point.at);
      if (x < -20 || y < -20 || x > width + 20 || y > height + 20) continue;
      const dot = element("circle", { class: point.kind, cx: x, cy: y, r: point.kind === "mark" ? 7 : 9 });
      dot.addEventListener("click", () => this.chosen(point));
      parts.push(dot);
      if (labelled.every(([a, b]) => Math.abs(a - x) > 38 || Math.abs(b - y) > 18)) {
        labelled.push([x, y]);
        names.push(element("text", { x: x + 11, y: y - 9 }, point.id));
      }
    }
    parts.push(...names);
    if (this.aim && this.aim.at) {
      const [x, y] = at(this.aim.at);
      parts.push(element("circle", { class: "aim", cx: x, cy: y, r: 17 }));
    }
    const stake = this.state.answer && this.state.answer.stake;
    if (stake) {
      const leg = this.state.legs.find((each) => each.name === stake[0]);
      const place = leg && along(leg, stake[1]);
      if (place) {
        const [x, y] = at(place);
        parts.push(element("path", { class: "stake", d: `M${x} ${y}l-10 -24h20z` }));
      }
    }
    if (this.own) {
      const [x, y] = at(this.own);
      parts.push(element("circle", { class: "own", cx: x, cy: y, r: 9 }));
    }
    const bar = [1, 2, 5, 10, 20, 50, 100, 200].map((n) => n * this.state.unit.metres).find((m) => m * this.scale > 50);
    if (bar) {
      const [x, y] = [14, height - 14];
      parts.push(element("line", { class: "pipe", x1: x, y1: y, x2: x + bar * this.scale, y2: y }));
      parts.push(element("text", { x, y: y - 8 }, Math.round(bar / this.state.unit.metres) + " " + this.state.unit.name));
    }
    parts.push(element("path", { class: "fitting", d: `M${width - 20} 12l7 22l-7 -5l-7 5z` }));
    parts.push(element("text", { x: width - 25, y: 50 }, "N"));
    this.svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    this.svg.replaceChildren(...parts);
  }
}

// The place at a chainage, by the odds' own positions along the leg.
export function along(leg, chainage) {
  const k = leg.odds.findIndex((o) => o[0] >= chainage);
  if (k < 0) return null;
  if (k === 0) return leg.odds[0].slice(1, 3);
  const [a, b] = [leg.odds[k - 1], leg.odds[k]];
  const share = (chainage - a[0]) / (b[0] - a[0] || 1);
  return [a[1] + share * (b[1] - a[1]), a[2] + share * (b[2] - a[2])];
}

// Levels against chainage, each leg after the other.
export function profile(svg, state) {
  const rows = state.readings.filter((r) => r.kind === "surface" && Number.isFinite(r.level_db));
  if (rows.length < 2) return svg.replaceChildren();
  const { clientWidth: width, clientHeight: height } = svg;
  const start = {};
  let total = 0;
  for (const leg of state.legs) {
    start[leg.name] = total;
    total += leg.length_m;
  }
  const levels = rows.map((r) => r.level_db);
  const low = Math.min(...levels) - 1;
  const high = Math.max(low + 7, Math.max(...levels) + 1);
  const x = (r) => 34 + ((start[r.leg] + r.chainage_m) / total) * (width - 44);
  const y = (level) => height - 16 - ((level - low) / (high - low)) * (height - 30);
  const parts = [
    element("line", { class: "pipe", x1: 34, y1: height - 14, x2: width - 8, y2: height - 14 }),
    element("text", { x: 0, y: 16 }, high.toFixed(0)),
    element("text", { x: 0, y: height - 16 }, low.toFixed(0)),
  ];
  for (const row of rows) {
    const dot = element("circle", { class: "dot", cx: x(row), cy: y(row.level_db), r: 6 });
    dot.append(element("title", {}, `${row.place}: ${row.level_db.toFixed(1)} dB`));
    parts.push(dot);
  }
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  svg.replaceChildren(...parts);
}

// The pipe, its odds and its marks as SVG; working metres in, north up.
const NS = "http://www.w3.org/2000/svg";

export function element(name, attributes, text) {
  const made = document.createElementNS(NS, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

const LETTER = 9.5; // pixels, a sign of a name
const HIGH = 18; // pixels, a name
const ANGLES = Array.from({ length: 16 }, (_, k) => (k * Math.PI) / 8);

const meet = (a, b) => a[0] < b[2] && b[0] < a[2] && a[1] < b[3] && b[1] < a[3];

const away = ([x, y], [a, b]) => Math.hypot(x - a, y - b);

// Where a name stands by its sign: free, on the paper, and as much nearer to it than to any other
// as can be; a name that finds no such place is left out.
function beside({ spot, r, point }, signs, taken, [width, height]) {
  const half = (LETTER * point.id.length) / 2;
  let best = null, most = 0;
  for (const angle of ANGLES) {
    const [right, down] = [Math.cos(angle), Math.sin(angle)];
    const out = Math.min((half + r + 2) / Math.abs(right), (HIGH / 2 + r + 2) / Math.abs(down));
    const middle = [spot[0] + out * right, spot[1] + out * down];
    const box = [middle[0] - half, middle[1] - HIGH / 2, middle[0] + half, middle[1] + HIGH / 2];
    if (box[0] < 0 || box[1] < 0 || box[2] > width || box[3] > height || taken.some((other) => meet(box, other))) continue;
    const clear = Math.min(...signs.filter((each) => each.spot !== spot).map((each) => away(each.spot, middle)), 1000) - out;
    if (clear > most) [best, most] = [{ middle, box }, clear];
  }
  return best;
}

// A line as boxes of no size, one every ten pixels.
function dots(line) {
  return line.slice(1).flatMap(([x, y], k) => {
    const [a, b] = line[k], count = Math.min(Math.ceil(Math.hypot(x - a, y - b) / 10), 1000);
    return Array.from({ length: count }, (_, i) => {
      const at = [a + ((x - a) * i) / count, b + ((y - b) * i) / count];
      return [...at, ...at];
    });
  });
}

const north = ([x, y]) => [
  element("path", { class: "fitting", d: `M${x + 15} ${y + 4}l7 22l-7 -5l-7 5z` }),
  element("text", { x: x + 10, y: y + 44 }, "N"),
];

const scale = ([x, y], wide, text) => [
  element("line", { class: "pipe", x1: x + 4, y1: y + 28, x2: x + wide - 4, y2: y + 28 }),
  element("text", { x: x + 4, y: y + 20, class: "scale" }, text),
];

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
    const signs = this.state.points
      .filter((point) => point.kind === "mark" || point.kind === "fitting")
      .map((point) => ({ point, spot: at(point.at), r: point.kind === "mark" ? 7 : 9 }))
      .filter(({ spot: [x, y] }) => x > -20 && y > -20 && x < width + 20 && y < height + 20);
    for (const { point, spot, r } of signs) {
      const dot = element("circle", { class: point.kind, cx: spot[0], cy: spot[1], r });
      dot.addEventListener("click", () => this.chosen(point));
      parts.push(dot);
    }
    const taken = signs.map(({ spot: [x, y], r }) => [x - r, y - r, x + r, y + r]);
    if (this.aim && this.aim.at) {
      const [x, y] = at(this.aim.at);
      parts.push(element("circle", { class: "aim", cx: x, cy: y, r: 17 }));
      taken.push([x - 17, y - 17, x + 17, y + 17]);
    }
    const stake = this.state.answer && this.state.answer.stake;
    const leg = stake && this.state.legs.find((each) => each.name === stake[0]);
    const place = leg && along(leg, stake[1]);
    if (place) {
      const [x, y] = at(place);
      parts.push(element("path", { class: "stake", d: `M${x} ${y}l-10 -24h20z` }));
      taken.push([x - 10, y - 24, x + 10, y]);
    }
    // Scale and north stand where least is drawn; then names: fittings, marks by the place to go to first.
    const drawn = taken.concat(this.state.legs.flatMap((leg) => dots(leg.vertices.map(at))));
    const bar = [1, 2, 5, 10, 20, 50, 100, 200].map((n) => n * this.state.unit.metres).find((m) => m * this.scale > 50);
    const names = [];
    for (const [wide, tall, draw] of [[30, 52, north], [bar ? bar * this.scale + 8 : 0, 34, scale]]) {
      if (!wide) continue;
      const corners = [[width - wide - 6, 6], [6, height - tall - 6], [width - wide - 6, height - tall - 6], [6, 6]];
      const boxes = corners.map(([x, y]) => [x, y, x + wide, y + tall]);
      const cost = boxes.map((box) => drawn.filter((other) => meet(box, other)).length + (taken.some((other) => other.control && meet(box, other)) ? 1e6 : 0));
      const box = boxes[cost.indexOf(Math.min(...cost))];
      taken.push(Object.assign(box, { control: true }));
      names.push(...draw(box, wide, bar && Math.round(bar / this.state.unit.metres) + " " + this.state.unit.name));
    }
    const goal = place || (this.aim && this.aim.at);
    const rank = ({ point, spot }) => (point.kind === "fitting" ? -1 : goal ? away(spot, at(goal)) : 0);
    signs.sort((a, b) => rank(a) - rank(b));
    for (const sign of signs) {
      const place = beside(sign, signs, taken, [width, height]);
      if (!place) continue;
      taken.push(place.box);
      names.push(element("text", { x: place.middle[0], y: place.middle[1] + 5, class: "name" }, sign.point.id));
    }
    parts.push(...names);
    if (this.own) {
      const [x, y] = at(this.own);
      parts.push(element("circle", { class: "own", cx: x, cy: y, r: 9 }));
    }
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

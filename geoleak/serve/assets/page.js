// The page at the kerb: what to do next in large, entry by thumb, nothing lost on the way.
import { Drawing, profile } from "/draw.js";
import { Entering } from "/entering.js";
import { $, button, close, element, open } from "/forms.js";
import { Kept } from "/kept.js";
import { Sounding } from "/sounding.js";

const VERDICTS = { dig: "DIG", check_first: "CHECK FIRST", listen_on: "LISTEN ON", closed: "CLOSED" };
let state = null;
let chosen = null; // a point of the drawing, for the next form
let entered = []; // what was entered here and stands, or may yet; the last is what Undo strikes out
let refused = 0;

// ---- what is kept until the server has it -------------------------------------------------

function waiting() {
  const open = kept.open();
  const not = kept.all().filter((each) => each.complaint);
  const rest = open.length
    ? `${open.length} kept on this phone, not yet in the site's folder`
    : `${not.length ? "The rest" : "All that was entered"} is in the site's folder.`;
  const said = not.length ? `${not.length} ${not.length > 1 ? "entries were" : "entry was"} refused. ${rest}` : rest;
  told(kept.stale ? "Scan the code again: the server was started anew. What you entered is kept here." : said);
  entered = entered.filter((each) => not.every((other) => other.id !== each.strike));
  $("undo").hidden = !entered.length;
  $("undo").textContent = entered.length ? `Undo ${entered.at(-1).what}` : "";
  const what = (entry) => (entry.strike ? `strike out ${entry.what} (${entry.reason})` : summary(entry.row));
  $("waiting").replaceChildren(...open.map((entry) => item(`Waiting: ${what(entry)}`)));
  $("refused").replaceChildren(
    ...not.map((entry) => {
      const line = item(`Refused: ${what(entry)}. ${entry.complaint}`);
      line.append(button("Drop", () => kept.drop(entry.id)));
      return line;
    }),
  );
  // Who entered it is at the next place by now, and looks at the drawing.
  if (not.length > refused) scrollTo(0, 0);
  refused = not.length;
}
const kept = new Kept(waiting, refresh);

function enter(sheet, row) {
  chosen = null;
  const { id } = kept.add({ sheet, row });
  entered.push({ sheet, strike: id, what: summary(row) });
  waiting();
}

function told(text) {
  $("saved").textContent = text;
}

// ---- what the server says ------------------------------------------------------------------

async function refresh() {
  try {
    const answer = await fetch("/page.json", { signal: AbortSignal.timeout(20000) });
    if (answer.ok) {
      state = await answer.json();
      show();
    }
  } catch {
    if (!state) told("No connection to the laptop; entries are kept on this phone.");
  }
}

function listen() {
  const events = new EventSource("/events");
  events.addEventListener("result", (event) => {
    if (!state || JSON.parse(event.data).number !== state.number) refresh();
    kept.send();
  });
}

const distance = (metres) => {
  const value = metres / state.unit.metres;
  return value.toFixed(state.unit.name === "m" ? 2 : 1) + " " + state.unit.name;
};

// What was declined stays so through a reload; where all of it was, the list begins again.
const declined = () => JSON.parse(sessionStorage.getItem("declined") || "[]");
function next() {
  const not = declined();
  return state.next.find((each) => !not.includes(each.place)) || null;
}

function show() {
  const { answer } = state;
  document.title = state.title;
  $("title").textContent = state.title;
  const head = $("verdict");
  head.textContent = answer ? VERDICTS[answer.verdict] : "NO ANSWER YET";
  head.className = answer ? answer.verdict : "";
  $("gist").textContent = answer ? answer.gist : state.complaint[0] || "";
  const first = answer ? answer.first : [];
  $("first").hidden = !first.length;
  $("first").replaceChildren(...first.map(([head, text]) => item(`${head}: ${text}`)));
  $("before").hidden = !(answer && answer.not_before);
  $("before").textContent = answer ? answer.not_before : "";
  $("said").hidden = !state.said.length;
  $("said").replaceChildren(...state.said.map((text) => item(text)));
  const aim = aimed();
  $("next").hidden = !aim || state.read_only;
  if (aim) {
    $("next-head").textContent = aim.check ? "Do this first" : aim.kind === "contact" ? "Touch next" : "Listen next";
    $("next-place").textContent = aim.words;
    $("next-enter").textContent = aim.check === "stop" ? "Enter what it showed" : "Enter a reading here";
  }
  document.querySelector("nav").hidden = state.read_only;
  $("finish").hidden = state.read_only;
  $("me").hidden = !state.lonlat;
  drawing.show(state, aim);
  profile($("profile"), state);
  $("lines").textContent = answer ? answer.lines.join("\n") : state.complaint.join("\n");
  rows();
}

const item = (text) => element("li", {}, element("span", { textContent: text }));

const summary = (row) =>
  [row.place || row.valves || row.from, row.kind, row.level !== undefined ? row.level : row.result || row.outcome || row.what, row.surface]
    .filter(Boolean)
    .join(" · ");

function rows() {
  const lines = [];
  for (const [sheet, stored] of Object.entries(state.rows)) {
    for (const { row } of stored.slice().reverse()) {
      const line = item(summary(row) + (row.skip ? ` — struck out: ${row.skip}` : ""));
      if (row.skip) line.firstChild.className = "out";
      const name = row.entry || Object.values(row)[0];
      if (!row.skip && name && !state.read_only) line.append(button("Strike out", () => strike(sheet, name, summary(row))));
      lines.push(line);
    }
  }
  $("rows").replaceChildren(...lines);
}

function strike(sheet, name, what) {
  const reason = { name: "reason", label: "Why does it not count?", choices: ["wrong place", "traffic", "misread", "slipped"], free: true };
  open("Strike out", [{ note: what }, reason], (row) => {
    if (!row.reason) return "Say why: the row stays in the sheet with its reason.";
    entered = entered.filter((each) => each.strike !== name);
    kept.add({ sheet, strike: name, reason: row.reason, what });
    return null;
  });
}

// ---- buttons --------------------------------------------------------------------------------------

// Where to dig no reading is asked for: a form begins empty, and no row is saved by accident.
function aimed() {
  return state.answer && state.answer.verdict !== "dig" ? next() : null;
}
const look = () => ({ state, chosen, aim: aimed() });
const entering = new Entering(look, enter);
const sounding = new Sounding(look, entering, enter);
const drawing = new Drawing($("drawing"), (point) => {
  chosen = point;
  if (!state.read_only) entering.reading();
});
for (const each of document.querySelectorAll("nav button")) {
  const form = each.dataset.form;
  each.addEventListener("click", () => state && (form === "sound" ? sounding.level() : entering[form]()));
}
$("cancel").addEventListener("click", close);
$("undo").addEventListener("click", () => {
  // Whether or not the server has it yet: struck out after it, in the order they are sent.
  kept.add({ ...entered.pop(), reason: "undone at once" });
});
$("next-enter").addEventListener("click", () => {
  chosen = null;
  if (next().check === "stop") entering.check();
  else entering.reading();
});
$("next-decline").addEventListener("click", () => {
  sessionStorage.setItem("declined", JSON.stringify([...declined(), next().place]));
  const all = !next();
  if (all) sessionStorage.removeItem("declined");
  $("next-said").textContent = all ? "You declined every place: the list begins again." : "";
  show();
});
$("closer").addEventListener("click", () => drawing.zoom(1.6));
$("farther").addEventListener("click", () => drawing.zoom(1 / 1.6));
$("whole").addEventListener("click", () => drawing.whole());
$("me").addEventListener("click", () => {
  const said = $("me-said");
  if (!isSecureContext || !navigator.geolocation) {
    said.textContent = "The browser gives the position only to secure pages: start the server with --tls.";
    return;
  }
  said.textContent = "looking …";
  navigator.geolocation.getCurrentPosition(
    async ({ coords }) => {
      const answer = await fetch(`/where?lon=${coords.longitude}&lat=${coords.latitude}`);
      if (!answer.ok) return (said.textContent = "No position for this site.");
      const at = await answer.json();
      drawing.own = [at.easting_m, at.northing_m];
      drawing.to(drawing.own);
      said.textContent = `Within ${distance(coords.accuracy)}: a phone's position, not for a stake.`;
    },
    (error) => (said.textContent = `No position: ${error.message}.`),
    { enableHighAccuracy: true, timeout: 20000 },
  );
});
$("finish").addEventListener("click", async () => {
  const said = $("finish-said");
  said.textContent = "writing …";
  try {
    const answer = await fetch("/finish", { method: "POST" });
    const done = await answer.json();
    if (!answer.ok) throw new Error((done.complaint || ["refused"]).join("; "));
    said.textContent = done.verdict === "dig" ? "Written." : "Written. Nothing in it is to dig by yet.";
    $("files").replaceChildren(...done.files.map(offered));
  } catch (error) {
    said.textContent = `Not written: ${error.message}`;
  }
  said.scrollIntoView({ block: "start" });
});

function offered(name) {
  const link = element("a", { className: "file", href: "/out/" + name, textContent: name });
  if (name !== "map.html") link.download = name;
  const line = element("li", {}, link);
  if (navigator.canShare) {
    line.append(
      button("Share", async () => {
        const data = await (await fetch("/out/" + name)).blob();
        const file = new File([data], name, { type: data.type });
        if (navigator.canShare({ files: [file] })) await navigator.share({ files: [file] }).catch(() => {});
      }),
    );
  }
  return line;
}

waiting();
await refresh();
listen();
kept.send();

// The page at the kerb: what to do next in large, entry by thumb, nothing lost on the way.
import { Drawing, profile } from "/draw.js";
import { Sound, blocked, inputs } from "/sound.js";

const $ = (id) => document.getElementById(id);
const VERDICTS = { dig: "DIG", check_first: "CHECK FIRST", listen_on: "LISTEN ON" };
// A level this far over both neighbours is asked about. Common practice, no source.
const OVER_BOTH_DB = 20;
const NEAR_M = 5;
let state = null;
let declined = new Set();
let chosen = null; // a point of the drawing, for the next form

// ---- what is kept until the server has it -------------------------------------------------

const KEY = "entries";
const kept = () => JSON.parse(localStorage.getItem(KEY) || "[]");
const keep = (entries) => localStorage.setItem(KEY, JSON.stringify(entries));

function newId() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 15) | 64;
  bytes[8] = (bytes[8] & 63) | 128;
  const hex = [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

let sending = null;
function send() {
  sending = (sending || Promise.resolve()).then(sendAll).catch(() => {});
  return sending;
}

async function sendAll() {
  for (;;) {
    const entry = kept().find((each) => !each.complaint);
    if (!entry) break;
    const { complaint, ...body } = entry;
    let answer;
    try {
      answer = await fetch("/entries", {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify(body),
        signal: AbortSignal.timeout(20000),
      });
    } catch {
      break; // no network: kept, and sent when it is back
    }
    if (answer.ok) keep(kept().filter((each) => each.id !== entry.id));
    else if ([400, 409, 413, 422].includes(answer.status)) {
      const why = (await answer.json().catch(() => ({}))).complaint || ["refused"];
      keep(kept().map((each) => (each.id === entry.id ? { ...each, complaint: why.join("; ") } : each)));
    } else if (answer.status === 401) {
      told("Scan the code again: the server was started anew. What you entered is kept here.");
      break;
    } else break;
    waiting();
  }
  waiting();
  await refresh();
}
setInterval(() => kept().some((each) => !each.complaint) && send(), 3000);
addEventListener("online", send);

function enter(sheet, row) {
  keep([...kept(), { id: newId(), sheet, row }]);
  waiting();
  send();
}

function told(text) {
  $("saved").textContent = text;
}

function waiting() {
  const entries = kept();
  const open = entries.filter((each) => !each.complaint).length;
  told(open ? `${open} kept on this phone, not yet in the site's folder` : "All that was entered is in the site's folder.");
  $("waiting").replaceChildren(
    ...entries.map((entry) => {
      const line = document.createElement("li");
      const text = document.createElement("span");
      text.textContent = (entry.complaint ? `Refused: ${entry.complaint} — ` : "Waiting: ") + summary(entry.row || {});
      line.append(text);
      if (entry.complaint) {
        line.append(
          button("Drop", () => {
            keep(kept().filter((each) => each.id !== entry.id));
            waiting();
          }),
        );
      }
      return line;
    }),
  );
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
    send();
  });
}

const distance = (metres) => {
  const value = metres / state.unit.metres;
  return value.toFixed(state.unit.name === "m" ? 2 : 1) + " " + state.unit.name;
};

function next() {
  return state.next.find((each) => !declined.has(each.place)) || null;
}

function show() {
  const { answer } = state;
  document.title = state.title;
  $("title").textContent = state.title;
  const head = $("verdict");
  head.textContent = answer ? VERDICTS[answer.verdict] : "NO ANSWER YET";
  head.className = answer ? answer.verdict : "";
  $("gist").textContent = answer ? gist(answer) : state.complaint[0] || "";
  $("before").hidden = !(answer && answer.not_before);
  $("before").textContent = answer ? answer.not_before : "";
  $("said").hidden = !state.said.length;
  $("said").replaceChildren(...state.said.map((text) => item(text)));
  const aim = answer && answer.verdict !== "dig" ? next() : null;
  $("next").hidden = !aim || state.read_only;
  if (aim) {
    $("next-head").textContent = aim.kind === "contact" ? "Touch next" : "Listen next";
    $("next-place").textContent = aim.words;
  }
  document.querySelector("nav").hidden = state.read_only;
  $("finish").hidden = state.read_only;
  $("me").hidden = !state.lonlat;
  drawing.show(state, aim);
  profile($("profile"), state);
  $("lines").textContent = answer ? answer.lines.join("\n") : state.complaint.join("\n");
  rows();
}

function gist(answer) {
  // A told line goes on where the next begins with blanks.
  const first = answer.lines.findIndex((each) => /^(DIG|CHECK FIRST|LISTEN)/i.test(each));
  let text = answer.lines[first] || "";
  for (let k = first + 1; k < answer.lines.length && /^ {8}(?=[a-z0-9(])/.test(answer.lines[k]); k++) {
    if (text.length > 150) break;
    text += " " + answer.lines[k].trim();
  }
  return text.replace(/^(DIG|CHECK FIRST|LISTEN ON|LISTEN)[\s:]*/i, "").trim();
}

function item(text) {
  const made = document.createElement("li");
  made.textContent = text;
  return made;
}

function button(text, does) {
  const made = document.createElement("button");
  made.type = "button";
  made.textContent = text;
  made.addEventListener("click", does);
  return made;
}

const summary = (row) =>
  [row.place || row.valves || row.from, row.kind, row.level !== undefined ? row.level : row.result || row.outcome || row.what, row.surface]
    .filter(Boolean)
    .join(" · ");

function rows() {
  const lines = [];
  for (const [sheet, stored] of Object.entries(state.rows)) {
    for (const { row } of stored.slice().reverse()) {
      const line = document.createElement("li");
      const text = document.createElement("span");
      text.textContent = summary(row) + (row.skip ? ` — struck out: ${row.skip}` : "");
      if (row.skip) text.className = "out";
      line.append(text);
      const name = row.entry || Object.values(row)[0];
      if (!row.skip && name && !state.read_only) line.append(button("Strike out", () => strike(sheet, name, summary(row))));
      lines.push(line);
    }
  }
  $("rows").replaceChildren(...lines);
}

function strike(sheet, name, what) {
  open("Strike out", [{ note: what }, { name: "reason", label: "Why does it not count?", choices: ["wrong place", "traffic", "misread", "slipped"], free: true }], (row) => {
    if (!row.reason) return "Say why: the row stays in the sheet with its reason.";
    keep([...kept(), { id: newId(), sheet, strike: name, reason: row.reason }]);
    waiting();
    send();
    return null;
  });
}

// ---- forms: as few taps as each needs ---------------------------------------------------------

function open(title, fields, done) {
  $("form-head").textContent = title;
  const values = {};
  const made = fields.map((field) => build(field, values));
  $("fields").replaceChildren(...made);
  $("ask").hidden = true;
  let asked = null;
  $("save").onclick = (event) => {
    event.preventDefault();
    const row = Object.fromEntries(Object.entries(values).filter(([, value]) => value !== ""));
    const why = done(row, asked);
    if (why === null) return close();
    asked = typeof why === "object" ? why.ask : null;
    $("ask").textContent = asked ? asked + " Save again if it is so." : why;
    $("ask").hidden = false;
    $("ask").scrollIntoView({ block: "nearest" });
  };
  $("form").showModal();
}

function close() {
  $("form").close();
  $("fields").replaceChildren();
}
$("cancel").addEventListener("click", close);

function build(field, values) {
  if (field.note) {
    const text = document.createElement("p");
    text.textContent = field.note;
    return text;
  }
  if (field.keys) return pad(field, values);
  if (field.element) return field.element(values);
  values[field.name] = field.value || "";
  if (field.choices) return choices(field, values);
  const label = document.createElement("label");
  label.textContent = field.label;
  const input = document.createElement("input");
  input.value = values[field.name];
  input.autocomplete = "off";
  if (field.options) {
    const list = document.createElement("datalist");
    list.id = "list-" + field.name;
    list.append(...field.options.map((each) => new Option(each.label || each, each.value || each)));
    input.setAttribute("list", list.id);
    label.append(list);
  }
  input.addEventListener("input", () => (values[field.name] = input.value.trim()));
  label.append(input);
  return label;
}

function choices(field, values) {
  const set = document.createElement("fieldset");
  const legend = document.createElement("legend");
  legend.textContent = field.label;
  const box = document.createElement("div");
  box.className = "choices";
  const buttons = field.choices.map((each) => {
    const [value, text] = Array.isArray(each) ? each : [each, each];
    const made = button(text, () => {
      values[field.name] = field.optional && values[field.name] === value ? "" : value;
      mark();
    });
    made.dataset.value = value;
    return made;
  });
  const mark = () => {
    for (const each of buttons) {
      const on = each.dataset.value === values[field.name];
      each.classList.toggle("main", on);
      each.setAttribute("aria-pressed", on);
    }
  };
  mark();
  box.append(...buttons);
  set.append(legend, box);
  if (field.free) {
    const input = document.createElement("input");
    input.setAttribute("aria-label", field.label + " (other)");
    input.addEventListener("input", () => {
      values[field.name] = input.value.trim();
      mark();
    });
    set.append(input);
  }
  return set;
}

function pad(field, values) {
  values[field.name] = "";
  const box = document.createElement("div");
  const shown = document.createElement("output");
  shown.className = "level";
  shown.setAttribute("aria-label", field.label);
  const draw = () => (shown.textContent = values[field.name] || " ");
  const type = (sign) => () => {
    const text = values[field.name] === NOTHING ? "" : values[field.name];
    values[field.name] = (text + sign).replace(/\s+/g, " ").trimStart();
    draw();
  };
  const keys = document.createElement("div");
  keys.className = "keys";
  for (const sign of ["7", "8", "9", "4", "5", "6", "1", "2", "3", ".", "0"]) keys.append(button(sign, type(sign)));
  const back = button("⌫", () => {
    values[field.name] = values[field.name] === NOTHING ? "" : values[field.name].slice(0, -1).trimEnd();
    draw();
  });
  back.setAttribute("aria-label", "Undo the last sign");
  keys.append(back);
  const pair = document.createElement("div");
  pair.className = "pair";
  pair.append(
    button("And again", type(" ")),
    button("Heard nothing", () => {
      values[field.name] = NOTHING;
      draw();
    }),
  );
  draw();
  const head = document.createElement("p");
  head.textContent = field.label;
  box.append(head, shown, keys, pair);
  // A keyboard types the same.
  box.addEventListener("keydown", (event) => {
    if (/^[0-9.]$/.test(event.key)) type(event.key)();
    else if (event.key === " " && event.target === shown) type(" ")();
    else if (event.key === "Backspace") back.click();
    else return;
    event.preventDefault();
  });
  shown.tabIndex = 0;
  return box;
}
const NOTHING = "nothing heard";

const places = () =>
  state.points
    .filter((p) => p.kind === "mark" || p.kind === "fitting")
    .map((p) => ({ value: p.id, label: `${p.kind === "mark" ? "mark" : p.code} ${p.id}` }));
const valves = () => state.points.filter((p) => p.kind === "fitting").map((p) => ({ value: p.id, label: `${p.code} ${p.id}` }));
const suggested = () => (chosen ? chosen.id : next() ? next().place : "");

// What can hardly be is asked about once; it is the technician who knows.
function doubt(row) {
  const levels = (row.level || "").split(" ").map(Number).filter(Number.isFinite);
  if (!levels.length) return null;
  if (Math.max(...levels) - Math.min(...levels) > 15) return "The repeats are far apart: was one misread?";
  const limits = state.limits;
  if (limits && levels.some((l) => l >= limits[1])) return "That is the meter's own limit: turn the gain down and read again?";
  const point = state.points.find((p) => p.id === row.place);
  if (!point || point.leg === null || state.scale !== "db") return null;
  const near = state.readings.filter((r) => r.kind === row.kind && r.leg === point.leg);
  const side = (sign) =>
    near
      .filter((r) => sign * (r.chainage_m - point.chainage_m) > 0.2 && Math.abs(r.chainage_m - point.chainage_m) < NEAR_M)
      .sort((a, b) => Math.abs(a.chainage_m - point.chainage_m) - Math.abs(b.chainage_m - point.chainage_m))[0];
  const [up, down] = [side(1), side(-1)];
  const level = levels.reduce((a, b) => a + b, 0) / levels.length;
  if (up && down && level > Math.max(up.level_db, down.level_db) + OVER_BOTH_DB)
    return `${Math.round(level - Math.max(up.level_db, down.level_db))} dB over both neighbours: read again?`;
  return null;
}

const FORMS = {
  reading() {
    const aim = next();
    open(
      "Reading",
      [
        { name: "place", label: "Where (mark, fitting, or place)", value: suggested(), options: places() },
        { name: "kind", label: "What with", value: chosen && chosen.kind === "fitting" ? "contact" : (aim && aim.kind) || "surface", choices: [["surface", "ground"], ["contact", "touching"], ["rod", "rod"]] },
        { name: "level", label: "Lowest steady level", keys: true },
        { name: "surface", label: "On what", optional: true, value: localStorage.getItem("surface") || "", choices: state.surfaces.slice(0, 6) },
        { name: "everything_off", label: "Every tap and machine off?", optional: true, value: localStorage.getItem("off") || "", choices: [["yes", "all off"], ["no", "not sure"]] },
      ],
      (row, asked) => {
        if (!row.place) return "Name the place: a mark's number will do.";
        if (!row.level) return "Enter the level, or press Heard nothing.";
        const ask = doubt(row);
        if (ask && ask !== asked) return { ask };
        localStorage.setItem("surface", row.surface || "");
        localStorage.setItem("off", row.everything_off || "");
        chosen = null;
        // A sensor that touches a fitting stands on no ground.
        if (row.kind !== "surface") delete row.surface;
        enter("readings.csv", row);
        return null;
      },
    );
  },
  check() {
    open(
      "Check at the loudest place",
      [
        { note: "Read as it is; with every tap and machine off; with the fitting beside it worked; with the supply shut. Shutting a supply or working a hydrant needs the owner's leave; a fire line never unannounced." },
        { name: "place", label: "Where", value: suggested(), options: places() },
        { name: "fitting", label: "Fitting worked", options: valves() },
        { name: "as_found", label: "Level as it is" },
        { name: "all_off", label: "Level with everything off" },
        { name: "fitting_worked", label: "Level with the fitting worked" },
        { name: "supply_shut", label: "Level with the supply shut" },
      ],
      (row) => {
        if (!row.place || !row.as_found) return "Where, and the level as it is, are needed.";
        enter("checks.csv", { kind: "stop", ...row });
        return null;
      },
    );
  },
  isolation() {
    open(
      "Shut-off test",
      [
        { note: "Shutting a supply needs the owner's leave." },
        { name: "valves", label: "Valve shut", options: valves(), value: chosen && chosen.kind === "fitting" ? chosen.id : "" },
        { name: "result", label: "The meter then", choices: [["stopped", "stopped"], ["slower", "slower"], ["same", "the same"]] },
      ],
      (row) => {
        if (!row.valves || !row.result) return "Name the valve and what the meter did.";
        enter("isolations.csv", row);
        return null;
      },
    );
  },
  hole() {
    open(
      "Hole dug",
      [
        { name: "from", label: "From (place)", value: suggested(), options: places() },
        { name: "to", label: "To (place)", options: places() },
        { name: "outcome", label: "What was found", choices: [["dry", "dry"], ["wet", "wet, no leak seen"], ["leak", "the leak"]] },
        { name: "pipe_exposed", label: "Pipe seen?", optional: true, choices: ["yes", "no"] },
        { name: "water_from", label: "Water came from", optional: true, choices: [["up", "up-chainage"], ["down", "down-chainage"]] },
      ],
      (row) => {
        if (!row.from || !row.to || !row.outcome) return "From, to and what was found are needed.";
        enter("holes.csv", row);
        return null;
      },
    );
  },
  sighting() {
    open(
      "Seen at the surface",
      [
        { name: "place", label: "Where", value: suggested(), options: places() },
        { name: "what", label: "What", choices: ["wet", "warm", "sunk", "green"] },
      ],
      (row) => {
        if (!row.place || !row.what) return "Where and what are needed.";
        enter("sightings.csv", row);
        return null;
      },
    );
  },
  sound: soundForm,
};

// ---- the level from the sound input -------------------------------------------------------------

let sound = null;
function soundForm() {
  const why = blocked();
  if (why) return open("Level by sound", [{ note: why }], () => null);
  let taken = null;
  const leg = () => (state.points.find((p) => p.id === suggested()) || {}).leg || (state.legs[0] || {}).name;
  open(
    "Level by sound",
    [
      { note: "Start with the headphones off and the volume low. Hold the button only while the sensor rests." },
      { name: "place", label: "Where", value: suggested(), options: places() },
      { name: "kind", label: "What with", value: "surface", choices: [["surface", "ground"], ["contact", "touching"]] },
      {
        element() {
          const box = document.createElement("div");
          const input = document.createElement("select");
          input.setAttribute("aria-label", "Sound input");
          const canvas = document.createElement("canvas");
          canvas.className = "meter";
          const said = document.createElement("p");
          said.setAttribute("role", "status");
          said.id = "sound-said";
          const start = async () => {
            if (sound) sound.close();
            sound = new Sound();
            try {
              await sound.open(input.value);
              const left = sound.processed();
              if (left.length) said.textContent = `The browser still changes the sound (${left.join(", ")}): levels may be off.`;
              input.replaceChildren(...(await inputs()).map((each, k) => new Option(each.label || `Input ${k + 1}`, each.deviceId)));
              meter(canvas);
            } catch (error) {
              said.textContent = `No sound: ${error.message}. Allow the microphone for this page.`;
            }
          };
          input.addEventListener("change", start);
          start();
          const hear = button("Hold to hear", () => {});
          for (const kind of ["pointerdown"]) hear.addEventListener(kind, () => sound.hear(0.1));
          for (const kind of ["pointerup", "pointerleave", "pointercancel"]) hear.addEventListener(kind, () => sound.mute());
          const take = button("Take five seconds", async () => {
            take.disabled = true;
            const wav = await sound.take((share) => (said.textContent = `listening … ${Math.round(100 * share)} %`));
            take.disabled = false;
            const id = newId();
            said.textContent = "measuring …";
            try {
              const answer = await fetch(`/recordings?id=${id}&leg=${encodeURIComponent(leg() || "")}`, { method: "POST", body: wav });
              const heard = await answer.json();
              if (!answer.ok) throw new Error((heard.complaint || ["refused"]).join("; "));
              taken = heard;
              said.textContent = `${heard.level_db.toFixed(1)} dB from ${heard.band_hz[0]} to ${heard.band_hz[1]} Hz. ` + heard.warnings.join(" ");
            } catch (error) {
              said.textContent = `Not taken: ${error.message}. Take it again.`;
            }
          });
          take.classList.add("main");
          const pair = document.createElement("div");
          pair.className = "pair";
          pair.append(hear, take);
          box.append(input, canvas, pair, said);
          return box;
        },
      },
    ],
    (row) => {
      if (!row.place) return "Name the place: a mark's number will do.";
      if (!taken) return "Take five seconds first.";
      enter("readings.csv", { ...row, recording: taken.recording, low_hz: String(taken.band_hz[0]), high_hz: String(taken.band_hz[1]) });
      return null;
    },
  );
  $("form").addEventListener("close", () => sound && sound.close(), { once: true });
}

function meter(canvas) {
  const ink = getComputedStyle(document.documentElement).getPropertyValue("--act");
  const pen = canvas.getContext("2d");
  const draw = () => {
    if (!canvas.isConnected) return;
    const { bins, step } = sound.spectrum();
    canvas.width = canvas.clientWidth;
    canvas.height = canvas.clientHeight;
    pen.fillStyle = ink;
    const most = Math.min(bins.length, Math.ceil(3000 / step));
    for (let k = 1; k < most; k++) {
      const high = Math.max(0, (bins[k] + 120) / 120) * canvas.height;
      pen.fillRect((k / most) * canvas.width, canvas.height - high, Math.max(1, canvas.width / most), high);
    }
    requestAnimationFrame(draw);
  };
  draw();
}

// ---- buttons --------------------------------------------------------------------------------------

const drawing = new Drawing($("drawing"), (point) => {
  chosen = point;
  if (!state.read_only) FORMS.reading();
});
for (const each of document.querySelectorAll("nav button")) each.addEventListener("click", () => state && FORMS[each.dataset.form]());
$("next-enter").addEventListener("click", () => {
  chosen = null;
  FORMS.reading();
});
$("next-decline").addEventListener("click", () => {
  declined.add(next().place);
  if (!next()) declined = new Set();
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
});

function offered(name) {
  const line = document.createElement("li");
  const link = document.createElement("a");
  link.className = "file";
  link.href = "/out/" + name;
  if (name !== "map.html") link.download = name;
  link.textContent = name;
  line.append(link);
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
send();

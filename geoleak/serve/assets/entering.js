// What is entered at the kerb, a form each, with as few taps as each needs.
import { NOTHING, open } from "/forms.js";

// A level this far over both neighbours, or repeats this far apart, are asked about.
// Common practice, no source.
const OVER_BOTH_DB = 20;
const REPEATS_DB = 15;
const NEAR_M = 5;
const FEW = 8; // as many fit on buttons
const OFF = "off-rod-"; // what was answered last, for a rod and for the rest
const UNSURE = "unsure"; // an answer too; in the sheet it is a blank

export class Entering {
  // `look()` gives the state, the point chosen in the drawing and the place to go to next.
  constructor(look, enter) {
    this.look = look;
    this.enter = enter;
  }

  suggested() {
    const { chosen, aim } = this.look();
    return chosen ? chosen.id : aim ? aim.place : "";
  }

  named(kinds) {
    return this.look()
      .state.points.filter((p) => kinds.includes(p.kind))
      .map((p) => [p.id, `${p.kind === "mark" ? "mark" : p.code} ${p.id}`]);
  }

  where(label = "Where (mark, fitting, or place)", name = "place", value = this.suggested()) {
    return { name, label, value, options: this.named(["mark", "fitting"]) };
  }

  fitting(name, label, value) {
    const options = this.named(["fitting"]);
    return { name, label, value, ...(options.length <= FEW ? { choices: options, free: true, optional: true } : { options }) };
  }

  // What the sensor is for follows the place: a fitting is touched, a mark on the ground is not.
  kind(choices = [["surface", "ground"], ["contact", "touching"], ["rod", "rod"]]) {
    const { state, aim } = this.look();
    const follows = ({ place }) => {
      if (aim && aim.place === place && choices.some(([kind]) => kind === aim.kind)) return aim.kind;
      const point = state.points.find((p) => p.id === place);
      return point && point.kind === "fitting" ? "contact" : "surface";
    };
    return { name: "kind", label: "What with", value: follows({ place: this.suggested() }), follows, choices };
  }

  // Enters a row where all that is needed is there, or says what is not.
  taken(sheet, needed, missing) {
    return (row) => {
      if (needed.some((name) => !row[name])) return missing;
      this.enter(sheet, row);
      return null;
    };
  }

  // Asked above the level. What was answered holds while the page is open, a rod's for the rod.
  allOff(kind) {
    const follows = (row) => sessionStorage.getItem(OFF + (row.kind === "rod")) || "";
    return { name: "everything_off", label: "Every tap and machine off?", value: follows({ kind }), follows, choices: ["yes", "no", [UNSURE, "not sure"]] };
  }

  reading() {
    const { state } = this.look();
    const kind = this.kind();
    open(
      "Reading",
      [
        this.where(),
        kind,
        this.allOff(kind.value),
        { name: "level", label: "Lowest steady level", keys: true },
        { name: "surface", label: "On what", optional: true, value: localStorage.getItem("surface"), choices: state.surfaces.slice(0, 6) },
      ],
      (row) => {
        if (!row.place) return "Name the place: a mark's number will do.";
        if (!row.level) return "Enter the level, or press Heard nothing.";
        if (row.kind === "rod" && !row.everything_off) return "Was every tap and machine off? A rod is judged by it: yes, no or not sure.";
        localStorage.setItem("surface", row.surface || "");
        sessionStorage.setItem(OFF + (row.kind === "rod"), row.everything_off || "");
        if (row.everything_off === UNSURE) delete row.everything_off;
        // A sensor that touches a fitting stands on no ground.
        if (row.kind !== "surface") delete row.surface;
        this.enter("readings.csv", row);
        return null;
      },
      (row, typing) => doubt(state, row, typing),
    );
  }

  check() {
    const level = (name, label) => ({ name, label, numeric: true });
    open(
      "Check at the loudest place",
      [
        { note: "Read as it is; with every tap and machine off; with the fitting beside it worked; with the supply shut. Shutting a supply or working a hydrant needs the owner's leave; a fire line never unannounced." },
        this.where(),
        level("as_found", "Level as it is"),
        level("all_off", "Level with everything off"),
        this.fitting("fitting", "Fitting worked", (this.look().aim || {}).fitting),
        level("fitting_worked", "Level with the fitting worked"),
        level("supply_shut", "Level with the supply shut"),
      ],
      (row) => this.taken("checks.csv", ["place", "as_found"], "Where, and the level as it is, are needed.")({ kind: "stop", ...row }),
    );
  }

  isolation() {
    const { chosen } = this.look();
    open(
      "Shut-off test",
      [
        { note: "Shutting a supply needs the owner's leave; a fire line never unannounced." },
        this.fitting("valves", "Valve shut", chosen && chosen.kind === "fitting" ? chosen.id : ""),
        { name: "result", label: "The meter then", choices: [["stopped", "stopped"], ["slower", "slower"], ["same", "the same"]] },
      ],
      this.taken("isolations.csv", ["valves", "result"], "Name the valve and what the meter did."),
    );
  }

  // The two ways along the pipe by what stands at its ends, where there is one pipe; the lower first.
  sides() {
    const { legs, points } = this.look().state;
    const on = points.filter((p) => p.leg && ["mark", "fitting"].includes(p.kind)).sort((a, b) => a.chainage_m - b.chainage_m);
    if (legs.length !== 1 || on.length < 2) return [["down", "before the hole, from the pipe's start"], ["up", "past the hole"]];
    const end = (p) => `the side of ${p.kind === "mark" ? "mark" : p.code || "fitting"} ${p.id}`;
    return [["down", end(on[0])], ["up", end(on.at(-1))]];
  }

  hole() {
    open(
      "Hole dug",
      [
        this.where("From (place)", "from", (this.look().state.answer || {}).stake_place || this.suggested()),
        this.where("To (place)", "to", ""),
        { name: "outcome", label: "What was found", choices: [["dry", "dry"], ["wet", "wet, no leak seen"], ["leak", "the leak"]] },
        { name: "pipe_exposed", label: "Pipe seen?", optional: true, choices: ["yes", "no"] },
        { name: "water_from", label: "Water came from", optional: true, choices: this.sides() },
      ],
      this.taken("holes.csv", ["from", "to", "outcome"], "From, to and what was found are needed."),
    );
  }

  sighting() {
    open(
      "Seen at the surface",
      [this.where(), { name: "what", label: "What", choices: ["wet", "warm", "sunk", "green"] }],
      this.taken("sightings.csv", ["place", "what"], "Where and what are needed."),
    );
  }
}

// What can hardly be is asked about; it is the technician who knows.
export function doubt(state, row, typing) {
  const point = state.points.find((p) => p.id === row.place);
  const bare = row.kind === "contact" && point && point.kind === "mark";
  const touched = bare && `Mark ${point.id} is on the ground, with nothing to touch: is it the place?`;
  const alone = !typing && state.points.length && row.place && !/[\s@]/.test(row.place); // no place told from another
  const unknown = alone && !point && `No mark or fitting is called ${row.place}: is it the place?`;
  return [unknown, touched, odd(state, row, point, typing)].filter(Boolean).join(" ") || null;
}

// While a repeat is being typed it may still grow.
function odd(state, row, point, typing) {
  if (!row.level || row.level === NOTHING) return null;
  const levels = row.level.trim().split(" ").map(Number).filter(Number.isFinite);
  if (!levels.length) return null;
  const whole = typing && !row.level.endsWith(" ") ? levels.slice(0, -1) : levels;
  if (Math.max(...whole) - Math.min(...whole) > REPEATS_DB) return "The repeats are far apart: was one misread?";
  if (state.limits && levels.some((l) => l >= state.limits[1])) return "That is the meter's own limit: turn the gain down and read again?";
  if (!point || point.leg === null || state.scale !== "db") return null;
  const away = (r) => Math.abs(r.chainage_m - point.chainage_m);
  const near = state.readings
    .filter((r) => r.kind === row.kind && r.leg === point.leg && Number.isFinite(r.level_db) && away(r) > 0.2 && away(r) < NEAR_M)
    .sort((a, b) => away(a) - away(b));
  const sides = [1, -1].map((sign) => near.find((r) => sign * (r.chainage_m - point.chainage_m) > 0));
  if (!sides[0] || !sides[1]) return null;
  const over = levels.reduce((a, b) => a + b, 0) / levels.length - Math.max(...sides.map((r) => r.level_db));
  return over > OVER_BOTH_DB ? `${Math.round(over)} dB over both neighbours: read again?` : null;
}

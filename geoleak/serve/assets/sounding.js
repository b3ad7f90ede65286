// The forms of the sound input: a level, and the practice that finds the band to listen in.
import { $, button, element, open } from "/forms.js";
import { doubt } from "/entering.js";
import { newId } from "/kept.js";
import { Sound, blocked, inputs } from "/sound.js";

const LEVEL_S = 5;
const PRACTICE_S = 15; // a band is told from 12 s and more
const VOLUME = 0.1; // to begin with

const measured = () => JSON.parse(localStorage.getItem("bands") || "{}");
const hertz = (band) => `${Math.round(band[0])} to ${Math.round(band[1])} Hz`;

export class Sounding {
  constructor(look, entering, enter) {
    this.look = look;
    this.entering = entering;
    this.enter = enter;
    this.sound = null;
    $("form").addEventListener("close", () => this.sound && this.sound.close());
  }

  leg(place) {
    const { state } = this.look();
    return (state.points.find((p) => p.id === place) || {}).leg || (state.legs[0] || {}).name || "";
  }

  band(leg) {
    return measured()[leg] || this.look().state.bands[leg];
  }

  level() {
    if (blocked()) return open("Level by sound", [{ note: blocked() }], null);
    let taken = null;
    const place = () => $("fields").querySelector("input").value.trim();
    const said = element("p", { id: "sound-said", role: "status" });
    const take = button("Take five seconds", async () => {
      const leg = this.leg(place());
      const own = measured()[leg];
      const band = own ? `&low_hz=${own[0]}&high_hz=${own[1]}` : "";
      taken = await this.take(take, said, LEVEL_S, `&leg=${encodeURIComponent(leg)}${band}`);
      if (taken) said.textContent = `${taken.level_db.toFixed(1)} dB from ${hertz(taken.band_hz)}. ${taken.warnings.join(" ")}`;
    });
    open(
      "Level by sound",
      [
        { note: "Start with the headphones off and the volume low. Hold the button only while the sensor rests." },
        this.entering.where(),
        this.entering.kind([["surface", "ground"], ["contact", "touching"]]),
        { element: this.ear(said, () => this.band(this.leg(place())), take) },
        { element: button("Practice: tap running, tap shut", () => this.practice()) },
      ],
      (row) => {
        if (!row.place) return "Name the place: a mark's number will do.";
        if (!taken) return "Take five seconds first.";
        const [low_hz, high_hz] = taken.band_hz.map(String);
        this.enter("readings.csv", { ...row, recording: taken.recording, low_hz, high_hz });
        return null;
      },
      (row, typing) => doubt(this.look().state, row, typing),
    );
  }

  practice() {
    const leg = this.leg("");
    const takes = {};
    const said = element("p", { id: "sound-said", role: "status" });
    const one = (name, text) => {
      const take = button(text, async () => {
        takes[name] = await this.take(take, said, PRACTICE_S, `&leg=${encodeURIComponent(leg)}`);
        if (!takes[name]) return;
        take.classList.add("on");
        said.textContent = takes[name].warnings.join(" ") || "Taken.";
        if (takes.running && takes.shut) await this.compare(leg, takes, said);
      });
      return take;
    };
    open(
      "Practice: tap running, tap shut",
      [
        { note: "Rest the sensor beside a tap. Let the tap run a little and take it; shut it and take it again. The band that tells the two apart is then used for levels." },
        { element: this.ear(said, () => this.band(leg), one("running", "Take it running"), one("shut", "Take it shut")) },
      ],
      null,
    );
  }

  async compare(leg, takes, said) {
    said.textContent = "comparing …";
    try {
      const asked = new URLSearchParams({ running: takes.running.recording, shut: takes.shut.recording, leg });
      const answer = await fetch(`/band?${asked}`);
      const found = await answer.json();
      if (!answer.ok) throw new Error(found.complaint.join("; "));
      said.textContent = found.lines.join(" ");
      if (found.band_from === "measured") localStorage.setItem("bands", JSON.stringify({ ...measured(), [leg]: found.band_hz }));
    } catch (error) {
      said.textContent = `Not compared: ${error.message}`;
    }
  }

  // Input, spectrum with its band, hearing and the buttons that take.
  ear(said, band, ...takes) {
    const input = element("select", { ariaLabel: "Sound input" });
    const canvas = element("canvas", { className: "meter" });
    const start = async () => {
      if (this.sound) this.sound.close();
      const sound = (this.sound = new Sound());
      try {
        await sound.open(input.value);
        const left = sound.processed();
        if (left.length) said.textContent = `The browser still changes the sound (${left.join(", ")}): levels may be off.`;
        const chosen = input.value;
        input.replaceChildren(...(await inputs()).map((each, k) => new Option(each.label || `Input ${k + 1}`, each.deviceId)));
        if (chosen) input.value = chosen;
        spectrum(canvas, sound, band);
      } catch (error) {
        said.textContent = `No sound: ${error.message}. Allow the microphone for this page.`;
      }
    };
    input.addEventListener("change", start);
    start();
    const hear = button("Hold to hear", () => {});
    hear.addEventListener("pointerdown", () => this.sound.hear(VOLUME));
    for (const kind of ["pointerup", "pointerleave", "pointercancel"]) hear.addEventListener(kind, () => this.sound.mute());
    for (const each of takes) each.classList.add("main");
    return element("div", {}, input, canvas, element("div", { className: "pair" }, hear, ...takes), said);
  }

  // Records, stores and returns what the server measured; null where it would not have it.
  async take(pressed, said, seconds, more) {
    pressed.disabled = true;
    try {
      const wav = await this.sound.take(seconds, (share) => (said.textContent = `listening … ${Math.round(100 * share)} %`));
      said.textContent = "measuring …";
      const answer = await fetch(`/recordings?id=${newId()}${more}`, { method: "POST", body: wav });
      const heard = await answer.json();
      if (!answer.ok) throw new Error((heard.complaint || ["refused"]).join("; "));
      return heard;
    } catch (error) {
      said.textContent = `Not taken: ${error.message}. Take it again.`;
      return null;
    } finally {
      pressed.disabled = false;
    }
  }
}

const SHOWN_HZ = 3000;
const SHOWN_DB = 120;

function spectrum(canvas, sound, band) {
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name);
  const pen = canvas.getContext("2d");
  const draw = () => {
    if (!canvas.isConnected || sound.closed) return;
    const { bins, step } = sound.spectrum();
    canvas.width = canvas.clientWidth;
    canvas.height = canvas.clientHeight;
    const at = (hz) => (hz / SHOWN_HZ) * canvas.width;
    for (let k = 1; k * step < SHOWN_HZ && k < bins.length; k++) {
      const high = Math.max(0, (bins[k] + SHOWN_DB) / SHOWN_DB) * canvas.height;
      const inside = band() && k * step >= band()[0] && k * step <= band()[1];
      pen.fillStyle = colour(inside ? "--odds" : "--act");
      pen.fillRect(at(k * step), canvas.height - high, Math.max(1, at(step)), high);
    }
    requestAnimationFrame(draw);
  };
  draw();
}

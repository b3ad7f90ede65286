// The level from the sound input: quiet until the sensor rests and a button is held.
const LOUDEST = 0.5; // of full scale at the headphones, whatever comes in

export const blocked = () =>
  !(navigator.mediaDevices && navigator.mediaDevices.getUserMedia)
    ? "The browser gives sound only to secure pages: start the server with --tls, or use this page on the laptop itself."
    : null;

export async function inputs() {
  const all = await navigator.mediaDevices.enumerateDevices();
  return all.filter((each) => each.kind === "audioinput");
}

export class Sound {
  // Processing made for speech would flatten the very level that is measured.
  async open(device) {
    this.stream = await navigator.mediaDevices.getUserMedia({
      audio: {
        deviceId: device ? { exact: device } : undefined,
        echoCancellation: false,
        noiseSuppression: false,
        autoGainControl: false,
      },
    });
    this.context = new AudioContext();
    await this.context.audioWorklet.addModule("/recorder.js");
    const source = this.context.createMediaStreamSource(this.stream);
    this.analyser = this.context.createAnalyser();
    this.analyser.fftSize = 4096;
    this.recorder = new AudioWorkletNode(this.context, "recorder");
    this.gain = this.context.createGain();
    this.gain.gain.value = 0;
    const limiter = this.context.createDynamicsCompressor();
    limiter.threshold.value = -30;
    limiter.ratio.value = 20;
    this.blocks = [];
    this.recording = false;
    this.recorder.port.onmessage = ({ data }) => this.recording && this.blocks.push(data);
    source.connect(this.analyser);
    source.connect(this.recorder);
    source.connect(limiter).connect(this.gain).connect(this.context.destination);
  }

  // What still runs of the browser's own processing spoils a level; say it.
  processed() {
    const now = this.stream.getAudioTracks()[0].getSettings();
    return ["echoCancellation", "noiseSuppression", "autoGainControl"].filter((each) => now[each]);
  }

  hear(volume) {
    this.gain.gain.setTargetAtTime(Math.min(LOUDEST, volume), this.context.currentTime, 0.15);
  }

  mute() {
    this.gain.gain.setTargetAtTime(0, this.context.currentTime, 0.02);
  }

  spectrum() {
    const bins = new Float32Array(this.analyser.frequencyBinCount);
    this.analyser.getFloatFrequencyData(bins);
    return { bins, step: this.context.sampleRate / this.analyser.fftSize };
  }

  async take(seconds, tell) {
    this.blocks = [];
    this.recording = true;
    const wanted = seconds * this.context.sampleRate;
    for (;;) {
      const have = this.blocks.reduce((sum, each) => sum + each.length, 0);
      tell(Math.min(1, have / wanted));
      if (have >= wanted) break;
      await new Promise((done) => setTimeout(done, 100));
    }
    this.recording = false;
    return wav(this.blocks, this.context.sampleRate, wanted);
  }

  close() {
    if (this.closed) return;
    this.closed = true;
    if (this.stream) for (const track of this.stream.getTracks()) track.stop();
    if (this.context) this.context.close();
  }
}

// 24 bits keep a quiet place's level where 16 would round it away.
function wav(blocks, rate, count) {
  const data = new DataView(new ArrayBuffer(44 + 3 * count));
  const text = (at, word) => [...word].forEach((c, k) => data.setUint8(at + k, c.charCodeAt(0)));
  text(0, "RIFF");
  data.setUint32(4, 36 + 3 * count, true);
  text(8, "WAVEfmt ");
  data.setUint32(16, 16, true);
  data.setUint16(20, 1, true);
  data.setUint16(22, 1, true);
  data.setUint32(24, rate, true);
  data.setUint32(28, 3 * rate, true);
  data.setUint16(32, 3, true);
  data.setUint16(34, 24, true);
  text(36, "data");
  data.setUint32(40, 3 * count, true);
  let at = 44;
  for (const block of blocks) {
    for (const sample of block) {
      if (at >= data.byteLength) return new Blob([data], { type: "audio/wav" });
      const value = Math.max(-8388608, Math.min(8388607, Math.round(sample * 8388607)));
      data.setUint8(at, value & 255);
      data.setInt16(at + 1, value >> 8, true);
      at += 3;
    }
  }
  return new Blob([data], { type: "audio/wav" });
}

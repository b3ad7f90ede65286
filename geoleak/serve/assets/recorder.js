// Hands on every block of sound as it comes, in the audio thread.
class Recorder extends AudioWorkletProcessor {
  process(inputs) {
    if (inputs[0].length) this.port.postMessage(inputs[0][0].slice());
    return true;
  }
}
registerProcessor("recorder", Recorder);

/* On the audio thread: hands the microphone's samples on, in blocks, each with its first frame. */
registerProcessor("capture", class extends AudioWorkletProcessor {
  constructor() {
    super();
    this.block = new Float32Array(2048);
    this.filled = 0;
    this.port.onmessage = ({ data }) => { this.to = data; };
  }

  process([input]) {
    if (!input.length || !this.to) return true;
    if (!this.filled) this.frame = currentFrame;
    this.block.set(input[0], this.filled);
    this.filled += input[0].length;
    if (this.filled === this.block.length) {
      this.to.postMessage({ frame: this.frame, samples: this.block });
      this.filled = 0;
    }
    return true;
  }
});

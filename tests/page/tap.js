/* Listens in on the page: how the mix and each part sound, what is asked of the audio system, what
   is marked when.  It stands before the page's own scripts and changes nothing that they do. */
(() => {
  const heard = (window.heard = { starts: [], marks: [], blocks: [] });
  const sources = []; // what goes to the ear, and the panner of each part in turn
  let context = null;

  const Context = window.AudioContext;
  window.AudioContext = class extends Context {
    constructor(...options) {
      super(...options);
      context = this;
    }
  };

  const connect = AudioNode.prototype.connect;
  AudioNode.prototype.connect = function (target, ...rest) {
    if (target === context?.destination) sources.unshift(this);
    else if (this instanceof StereoPannerNode) sources.push(this);
    return connect.call(this, target, ...rest);
  };

  const RECORDER = `registerProcessor("recorder", class extends AudioWorkletProcessor {
    process([input]) { 
      if (input.length) this.port.postMessage({ frame: currentFrame, block: input.map((channel) => channel.slice()) });
      return true;
    }
  })`;

  /** From now on record the mix (channel 0) and the parts (from 1 on), in step. */
  heard.listen = async () => {
    await context.audioWorklet.addModule("data:text/javascript," + encodeURIComponent(RECORDER));
    const count = sources.length;
    const recorder = new AudioWorkletNode(context, "recorder", {
      channelCount: count, channelCountMode: "explicit", channelInterpretation: "discrete", numberOfOutputs: 1,
    });
    recorder.port.onmessage = ({ data }) => heard.blocks.push(Object.assign(data.block, { frame: data.frame }));
    const merger = new ChannelMergerNode(context, { numberOfInputs: count });
    sources.forEach((source, channel) => {
      const mono = new GainNode(context, { channelCount: 1, channelCountMode: "explicit" });
      connect.call(source, mono);
      connect.call(mono, merger, 0, channel);
    });
    connect.call(merger, recorder);
    connect.call(recorder, context.destination); // or it would not be asked to process
  };

  /** Whether no block of the recording is missing, and everything was asked for before its time. */
  heard.whole = () => heard.starts.every(({ when, asked }) => when > asked) &&
    heard.blocks.every(({ frame }, index) => frame === heard.blocks[0].frame + index * heard.blocks[0][0].length);

  /** What was recorded, a channel after another: base64 of float32. */
  heard.take = () => {
    const [first] = heard.blocks;
    const length = first[0].length;
    const all = new Float32Array(first.length * heard.blocks.length * length);
    first.forEach((_, channel) => heard.blocks.forEach((block, index) =>
      all.set(block[channel], (channel * heard.blocks.length + index) * length)));
    const bytes = new Uint8Array(all.buffer);
    let text = "";
    for (let at = 0; at < bytes.length; at += 8192) text += String.fromCharCode(...bytes.subarray(at, at + 8192));
    return btoa(text);
  };

  const start = AudioBufferSourceNode.prototype.start;
  AudioBufferSourceNode.prototype.start = function (when, ...rest) {
    heard.starts.push({ when, asked: this.context.currentTime, at: performance.now() });
    return start.call(this, when, ...rest);
  };

  /** Seconds of the audio clock that are at the ear now; by WebKitGTK's stamps a time to come. */
  heard.now = () => {
    const stamp = context.getOutputTimestamp();
    const passed = (performance.now() - stamp.performanceTime) / 1000;
    return passed >= 0 ? stamp.contextTime + passed : context.currentTime;
  };

  const text = (id) => document.getElementById(id).textContent;
  document.addEventListener("DOMContentLoaded", () => {
    new MutationObserver(() => {
      if (!context) return;
      heard.marks.push({ at: heard.now(), place: text("place"), word: text("word"), until: text("until") });
    }).observe(document.body, { subtree: true, childList: true, characterData: true });
  });
})();

/* Listens in on the page: how the mix and each part sound, what is asked of the audio system, what
   is marked when.  It stands before the page's own scripts and changes nothing that they do. */
(() => {
  const heard = (window.heard = { starts: [], marks: [], blocks: [], turns: [], gains: 0, decoded: 0 });
  const sources = []; // what goes to the ear, and the panner of each part in turn
  const PATIENCE = 0.5; // seconds
  let context = null;
  let ahead = 0; // seconds that the clock is

  const Context = window.AudioContext;
  window.AudioContext = class extends Context {
    constructor(...options) {
      super(...options);
      context = this;
    }

    get currentTime() {
      return super.currentTime + ahead;
    }
  };

  const Gain = window.GainNode;
  window.GainNode = class extends Gain {
    constructor(...options) {
      super(...options);
      heard.gains += 1;
    }
  };

  const decode = BaseAudioContext.prototype.decodeAudioData;
  BaseAudioContext.prototype.decodeAudioData = function (...given) {
    heard.decoded += 1;
    return decode.apply(this, given);
  };

  const connect = AudioNode.prototype.connect;
  AudioNode.prototype.connect = function (target, ...rest) {
    if (target === context?.destination) sources.unshift(this);
    else if (this instanceof StereoPannerNode) sources.push(this);
    return connect.call(this, target, ...rest);
  };

  const RECORDER = `registerProcessor("recorder", class extends AudioWorkletProcessor {
    blocks = [];
    process([input]) {
      if (input.length) this.blocks.push({ frame: currentFrame, block: input.map((channel) => channel.slice()) });
      if (this.blocks.length === 16) this.port.postMessage(this.blocks.splice(0));
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
    recorder.port.onmessage = ({ data }) =>
      data.forEach(({ frame, block }) => heard.blocks.push(Object.assign(block, { frame })));
    const merger = new ChannelMergerNode(context, { numberOfInputs: count });
    sources.forEach((source, channel) => {
      const mono = new GainNode(context, { channelCount: 1, channelCountMode: "explicit" });
      connect.call(source, mono);
      connect.call(mono, merger, 0, channel);
    });
    connect.call(merger, recorder);
    connect.call(recorder, context.destination); // or it would not be asked to process
  };

  /** From now on note each turn that the browser gives to a timer of the page, by both clocks. */
  heard.pulse = () => {
    heard.turns.push(moment());
    setTimeout(heard.pulse, 5);
  };

  /** From now on what the page does at once before the first sound may take half a second, as it may on
      a busy machine: meanwhile the clock says that it is later. */
  heard.patient = () => {
    const { prototype } = drillgen.Player;
    const { play } = prototype;
    prototype.play = function (...bars) {
      const made = this.band.open().currentTime;
      ahead = PATIENCE;
      play.apply(this, bars);
      ahead = 0;
      heard.inTime = context.currentTime < made + PATIENCE;
    };
  };

  /** Seconds that were recorded. */
  heard.seconds = () => heard.blocks.reduce((sum, [first]) => sum + first.length, 0) / context.sampleRate;

  /** Leave out what was recorded before a time. */
  heard.cut = (when) => {
    heard.blocks = heard.blocks.filter(({ frame }) => frame >= when * context.sampleRate);
  };

  heard.forget = () => {
    for (const all of [heard.starts, heard.marks, heard.blocks]) all.length = 0;
  };

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
    heard.starts.push({ when, asked: this.context.currentTime });
    return start.call(this, when, ...rest);
  };

  /** Seconds of the audio clock that are at the ear now, and of the page's clock.  WebKitGTK stamps a
      time to come, a clock that stands is ahead of what was made, and Firefox on Linux can lock up
      when it is asked (`player.js`). */
  function moment() {
    const now = performance.now();
    const made = context.currentTime;
    const stamp = /X11.* Firefox/.test(navigator.userAgent) ? null : context.getOutputTimestamp();
    const passed = stamp ? (now - stamp.performanceTime) / 1000 : -1;
    return { time: now / 1000, at: passed >= 0 ? Math.min(stamp.contextTime + passed, made) : made };
  }

  const text = (id) => document.getElementById(id).textContent;
  document.addEventListener("DOMContentLoaded", () => {
    new MutationObserver(() => {
      if (!context) return;
      heard.marks.push({ ...moment(), place: text("place"), word: text("word"), until: text("until") });
    }).observe(document.body, { subtree: true, childList: true, characterData: true });
  });
})();

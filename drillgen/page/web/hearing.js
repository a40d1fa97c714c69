/* Listening: the microphone on the page's own clock, recordings, and the worker that hears both. */
(function (d) {
  "use strict";
  const PLAIN = { echoCancellation: false, noiseSuppression: false, autoGainControl: false, channelCount: 1 };
  const READ_AT = 22050; // samples a second that the ear reads
  const USUAL_INPUT = 0.02; // seconds from a microphone to the page, where nobody knows
  const LONGEST = 3600; // seconds of a recording
  const AFTER = 0.15; // seconds after a gap's end in which a late note still counts
  const OPEN = 0.6; // seconds before a response from which on it is read
  const WAKE = 50; // ms
  const BLOCK = 8192; // samples, of a page from disk
  const RAMP = 1 << 18; // samples, 6 s: whole numbers up to here are exact in 32 bits
  const SOON = 0.5; // seconds until the first chirp
  const DEAD = 0.1; // of the other side's level: a channel that nobody recorded on
  const REFUSED = {
    NotAllowedError: "The browser did not give this page the microphone. It asks again after a touch on the lock or camera sign in its address bar; or choose a recording instead.",
    NotFoundError: "This device has no microphone that the browser knows. Choose a recording instead.",
    NotReadableError: "Another program holds the microphone. Close it, or choose a recording instead.",
  };
  const NOWHERE = "Browsers give a page a microphone from disk, from this machine or over HTTPS only. Choose a recording instead.";
  const ELSEWHERE = "This browser cannot listen at the rate at which the page plays. Choose a recording instead.";

  /** `desk.response(judged, window)` is called for each response that was judged. */
  d.Hearing = class {
    constructor(desk) {
      this.desk = desk;
      this.waits = new Map(); // a question's number to what resolves it
      this.asked = 0;
      this.tuning = null;
      this.forgetWindows();
    }

    /** The worker, begun at the first use; from disk it can be had from a blob alone. */
    async ear() {
      if (!this.worker) {
        const { code, tables } = await d.load("ear");
        this.tables = tables;
        this.worker = new Worker(blobOf(code));
        this.worker.onmessage = ({ data }) => this.answered(data);
        this.worker.onerror = (event) => { event.preventDefault(); this.waits.forEach(({ reject }) => reject(new Error(event.message))); };
        this.tell({ act: "begin", tables });
      }
      return this.worker;
    }

    tell(data, moved = []) {
      this.worker.postMessage(data, moved);
    }

    ask(data, moved, onshare) {
      const id = (this.asked += 1);
      this.tell({ ...data, id }, moved);
      return new Promise((resolve, reject) => this.waits.set(id, { resolve, reject, onshare }));
    }

    answered({ id, share, ...answer }) {
      const wait = this.waits.get(id);
      if (!wait) return;
      if (share !== undefined) return wait.onshare && wait.onshare(share);
      this.waits.delete(id);
      wait.resolve(answer);
    }

    /* The microphone ----------------------------------------------------------------------- */

    get listening() { return Boolean(this.stream); }

    /** Begin to listen; throws an Error whose message says why not.  `context`: the page's, awake. */
    async begin(context) {
      if (!navigator.mediaDevices || !navigator.mediaDevices.getUserMedia) throw new Error(NOWHERE);
      await this.ear();
      const stream = await navigator.mediaDevices.getUserMedia({ audio: PLAIN })
        .catch((error) => { throw new Error(REFUSED[error.name] || `The microphone could not be opened (${error.name}). Choose a recording instead.`); });
      try {
        await this.connect(context, stream);
      } catch (error) {
        stream.getTracks().forEach((track) => track.stop());
        throw error.name === "NotSupportedError" ? new Error(ELSEWHERE) : error; // Firefox, at another rate
      }
      this.stream = stream;
      [this.track] = stream.getTracks();
      this.tuning = null;
      this.forgetWindows();
      this.track.addEventListener("ended", () => this.desk.lost());
      this.timer = setInterval(() => this.watch(), WAKE);
    }

    async connect(context, stream) {
      const { port1, port2 } = new MessageChannel();
      this.source = context.createMediaStreamSource(stream);
      this.node = await workletNode(context, port1).catch(() => processorNode(context, port1));
      this.tell({ act: "listen", port: port2, rate: context.sampleRate }, [port2]);
      this.source.connect(this.node.input || this.node);
      this.node.connect(new GainNode(context, { gain: 0 })).connect(context.destination); // or it would not be run
    }

    end() {
      clearInterval(this.timer);
      if (this.source) { this.source.disconnect(); this.node.disconnect(); }
      if (this.node && this.node.ramp) this.node.ramp.stop();
      if (this.stream) this.stream.getTracks().forEach((track) => track.stop());
      this.stream = this.source = this.node = null;
    }

    /** Seconds there and back: measured, else what the browser says of both ways. */
    get delay() {
      const measured = d.results.delay();
      if (measured !== null) return measured;
      const input = this.track ? this.track.getSettings().latency : 0;
      return (d.context.outputLatency || d.context.baseLatency || 0) + (input || USUAL_INPUT);
    }

    /** Play chirps and find them again; seconds, or null where they were not heard. */
    async measure(context) {
      const { samples, count, every } = await this.ask({ act: "chirp", rate: context.sampleRate }, []);
      const buffer = new AudioBuffer({ length: samples.length, sampleRate: context.sampleRate });
      buffer.copyToChannel(samples, 0);
      const starts = Array.from({ length: count }, (_, index) => context.currentTime + SOON + index * every);
      for (const start of starts) {
        const source = new AudioBufferSourceNode(context, { buffer });
        source.connect(new GainNode(context, { gain: 0.3 })).connect(context.destination);
        source.start(start);
      }
      await new Promise((resolve) => { setTimeout(resolve, (SOON + count * every + 0.8) * 1000); });
      const { seconds } = await this.ask({ act: "delay", starts }, []);
      return seconds;
    }

    /* Responses, as the music goes by ------------------------------------------------------- */

    forgetWindows() {
      if (this.worker) for (const window of (this.windows || new Map()).values()) this.tell({ act: "drop", of: window.number });
      this.windows = new Map();
    }

    /** Which responses are planned, which are over; called often. */
    watch() {
      const { player, asked } = this.desk.music();
      const now = d.context.currentTime;
      if (player && player.playing) player.stretches.forEach((stretch) => this.plan(player, stretch, asked));
      for (const [name, window] of this.windows) {
        const cut = window.stretch.end < window.end - 0.01;
        if (window.done && now > window.end + 60) this.windows.delete(name);
        if (window.done) continue;
        if (cut || (!player.playing && now < window.end)) this.drop(window);
        else if (!window.opened && now >= window.start - OPEN) this.open(window);
        else if (now >= window.end + this.delay + AFTER) this.judge(window);
      }
    }

    plan(player, stretch, asked) {
      asked.forEach((response, index) => {
        const name = `${stretch.start} ${index}`;
        if (this.windows.has(name)) return;
        const window = windowOf(player, stretch, response);
        if (!window) return;
        window.number = (this.asked += 1);
        this.windows.set(name, Object.assign(window, { tempo: this.desk.tempo(stretch) }));
      });
    }

    open(window) {
      window.opened = true;
      this.tell({ act: "open", of: window.number, from: window.start - OPEN });
    }

    drop(window) {
      window.done = true;
      if (window.opened) this.tell({ act: "drop", of: window.number });
    }

    async judge(window) {
      window.done = true;
      const tuning = this.tuning || { matched: 0, anyOctave: this.desk.anyOctave() };
      const { response, listened, number } = window;
      const judged = await this.ask({ act: "judge", of: number, response, listened, delay: this.delay, tuning }, []);
      this.learn(judged.tuning);
      this.desk.response(judged, window);
    }

    /** A player's tuning and octave stay what they were: after some notes they are known. */
    learn(tuning) {
      if (tuning && tuning.matched >= this.tables.place.tuned_by) this.tuning = tuning;
    }

    /* A recording --------------------------------------------------------------------------- */

    /** Judge a file against tracks; throws an Error whose message says what is wrong with it. */
    async hear(file, tracks, anyOctave, onshare) {
      await this.ear();
      const samples = await samplesOf(file);
      return this.ask({ act: "file", samples, tracks, anyOctave }, [samples.buffer], onshare);
    }
  };

  const blobOf = (code) => URL.createObjectURL(new Blob([code], { type: "text/javascript" }));

  async function workletNode(context, port) {
    await context.audioWorklet.addModule("page/capture.js");
    const node = new AudioWorkletNode(context, "capture", { channelCount: 1, channelCountMode: "explicit" });
    node.port.postMessage(port, [port]);
    return node;
  }

  /** From disk no worklet can be loaded.  The older node does not say when a block was recorded, and loses
      some where the page is busy: so a ramp is recorded beside the microphone, which counts the samples. */
  function processorNode(context, port) {
    const node = context.createScriptProcessor(BLOCK, 2, 1);
    const both = new ChannelMergerNode(context, { numberOfInputs: 2 });
    const ramp = rampOf(context);
    const begin = Math.ceil((context.currentTime + 0.3) * context.sampleRate); // read when the ramp is made: that takes time
    ramp.start(begin / context.sampleRate);
    ramp.connect(both, 0, 1);
    both.connect(node);
    node.onaudioprocess = ({ inputBuffer }) => {
      const count = Math.round(inputBuffer.getChannelData(1)[0] * RAMP);
      if (!count) return; // it has not begun
      const about = context.currentTime * context.sampleRate - begin - 1.5 * BLOCK - count;
      port.postMessage({ frame: begin + count + RAMP * Math.round(about / RAMP), samples: inputBuffer.getChannelData(0).slice() });
    };
    node.input = new GainNode(context, { channelCount: 1, channelCountMode: "explicit" });
    node.input.connect(both, 0, 0);
    node.ramp = ramp;
    return node;
  }

  function rampOf(context) {
    const buffer = new AudioBuffer({ length: RAMP, sampleRate: context.sampleRate });
    buffer.copyToChannel(Float32Array.from({ length: RAMP }, (_, at) => at / RAMP), 0);
    return new AudioBufferSourceNode(context, { buffer, loop: true });
  }

  /** The bars of a response that a stretch plays, by the audio clock; null where it plays none. */
  function windowOf(player, stretch, response) {
    const { starts } = player.take;
    const [first, last] = response.bars.map((bar) => bar + player.lead - 1);
    if (stretch.last < first || stretch.bar > last) return null;
    const from = Math.max(first, stretch.bar);
    const to = Math.min(last, stretch.last);
    const timeOf = (seconds) => stretch.start + (seconds - stretch.from) / stretch.speed;
    const inside = response.notes.filter(([start]) => start > starts[from] - 0.2 && start >= stretch.from && (start < starts[to + 1] - 0.03));
    if (!inside.length || starts[from] < stretch.from - 0.01) return null;
    const notes = inside.map(([start, end, key, name]) => [timeOf(start), timeOf(end), key, name]);
    const start = timeOf(starts[from]);
    const end = timeOf(starts[to + 1]);
    return { stretch, bar: from, start, end, listened: from > stretch.bar ? [timeOf(starts[from - 1]), start] : null, response: { start, end, notes } };
  }

  /** Mono samples of a file at the ear's rate. */
  async function samplesOf(file) {
    const context = new (window.OfflineAudioContext || window.webkitOfflineAudioContext)(1, 1, READ_AT);
    const sound = await context.decodeAudioData(await file.arrayBuffer()).catch(() => null);
    if (!sound || !sound.length) throw new Error(`“${file.name}” has no sound that this browser can read. Common are WAV, MP3, M4A and, in most browsers, FLAC, Opus and a phone’s video.`);
    if (sound.duration < 2) throw new Error(`“${file.name}” is ${sound.duration.toFixed(1)} s long: too short for an answer.`);
    if (sound.duration > LONGEST) throw new Error(`“${file.name}” is longer than an hour: cut it into pieces, one or a few keys each.`);
    const sides = Array.from({ length: Math.min(sound.numberOfChannels, 2) }, (_, side) => sound.getChannelData(side));
    const powers = sides.map((side) => Math.sqrt(side.reduce((sum, value) => sum + value * value, 0)));
    const alive = sides.filter((_, side) => powers[side] > DEAD * Math.max(...powers));
    if (!alive.length) return sides[0].slice();
    return Float32Array.from(alive[0], (value, at) => alive.reduce((sum, side) => sum + side[at], 0) / alive.length);
  }
})(window.drillgen);

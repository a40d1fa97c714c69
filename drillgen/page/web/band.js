/* The band: what makes the sound.  Voices into parts, parts into the room, the room to the ear. */
(function (d) {
  "use strict";
  const SILENT = -60; // dB under a voice's own level: there it is stopped
  const QUICK = 0.03; // seconds: fading out what is not wanted any more
  const KNEE = 0.9; // of full scale; above it peaks are rounded off
  // As the mixes' limiter: what comes near to full scale is made softer as a whole, for a moment.
  const LIMIT = { threshold: -2, knee: 0, ratio: 20, attack: 0.001, release: 0.1 };

  d.Band = class {
    constructor(drill, tones) {
      this.drill = drill;
      this.tones = tones;
      this.levels = new Map(drill.parts.map((part) => [part.name, { on: true, decibels: 0 }]));
      this.voices = new Set();
      this.idle = new Map(); // of each part: gains whose voices have ended, for the next ones
      this.last = new Map(); // "part key" to the voice that sounds there
    }

    /** The context is made at the first touch: browsers let no page sound before. */
    open() {
      if (!d.context) {
        d.context = newContext(this.drill.rate);
        d.context.addEventListener("statechange", () => d.onstate());
      }
      if (d.context.state !== "running") d.context.resume();
      if (!this.inputs) this.connect(d.context);
      return d.context;
    }

    close() {
      this.silence();
      if (this.out) this.out.disconnect();
      this.inputs = null;
      this.voices.clear();
      this.idle.clear();
    }

    connect(context) {
      this.master = new GainNode(context, { gain: d.gainOf(this.drill.gain) });
      this.out = softCeiling(context);
      this.limiter = addLimiter(context, this.out.input);
      this.master.connect(this.limiter);
      if (this.room) addRoom(context, this.room, this.master, this.limiter);
      this.duck = new d.Duck(context, this.master, this.drill.spoken.duck);
      this.inputs = new Map(this.drill.parts.map((part) => [part.name, this.input(context, part)]));
    }

    /** The room may come later than the first sound: it is the largest thing that a page loads. */
    furnish(room) {
      if (!room || this.room) return;
      this.room = room;
      if (this.inputs) addRoom(d.context, room, this.master, this.limiter);
    }

    input(context, part) {
      // A source in the middle has gain 1 on both sides, as in the mixes: a panner takes 3 dB.
      const gain = new GainNode(context, { gain: this.levelOf(part) });
      const yields = this.drill.spoken.duck.parts.includes(part.name);
      const to = yields ? this.duck.input : this.master;
      gain.connect(new StereoPannerNode(context, { pan: part.pan })).connect(to);
      return gain;
    }

    levelOf(part) {
      const { on, decibels } = this.levels.get(part.name);
      return on ? Math.SQRT2 * d.gainOf(part.level + decibels) : 0;
    }

    /** Turn a part up, down, off and on again; heard at once. */
    turn(name, change) {
      Object.assign(this.levels.get(name), change);
      if (!this.inputs) return;
      const part = this.drill.parts.find((each) => each.name === name);
      this.inputs.get(name).gain.setTargetAtTime(this.levelOf(part), d.context.currentTime, 0.015);
    }

    /** Strike a tone at a time of the context; `hold`: seconds until it is let go. */
    strike(name, number, when, hold, decibels) {
      const tone = this.tones.rows[number];
      if (!tone.buffer) return null;
      const place = `${name} ${tone.key}`;
      this.damp(name, tone, when);
      const voice = newVoice(name, this.gainFor(name), tone, when, d.gainOf(decibels) * tone.gain);
      voice.source.onended = () => this.end(voice);
      if (tone.release) letGo(voice, when + hold, tone.release);
      this.voices.add(voice);
      this.last.set(place, voice);
      return voice;
    }

    /** A gain of a part, made anew only where all are in use: browsers sweep nodes late. */
    gainFor(name) {
      const idle = (this.idle.get(name) || []).pop();
      if (idle) return idle;
      const gain = new GainNode(d.context);
      gain.connect(this.inputs.get(name));
      return gain;
    }

    /** A voice has come to its end, or will not begin. */
    end(voice) {
      if (!this.voices.delete(voice)) return;
      voice.source.onended = null;
      voice.source.disconnect();
      if (!this.idle.has(voice.name)) this.idle.set(voice.name, []);
      this.idle.get(voice.name).push(voice.gain);
    }

    /** Strike a word, under which the band steps back. */
    speak(number, when) {
      const voice = this.strike("spoken", number, when, 0, 0);
      if (voice && this.levels.get("spoken").on) this.duck.under(voice.start, voice.end);
    }

    /** A note struck again ends its former self; one drum may choke another. */
    damp(name, tone, when) {
      const former = this.last.get(`${name} ${tone.key}`);
      if (former && tone.release) letGo(former, when, tone.release);
      const part = this.drill.parts.find((each) => each.name === name);
      for (const key of part.chokes[tone.key] || []) {
        const choked = this.last.get(`${name} ${key}`);
        if (choked) letGo(choked, when, this.drill.choke);
      }
    }

    /** Take back what has not begun by a time of the context. */
    cancel(when) {
      for (const voice of this.voices) {
        if (voice.start >= when) {
          voice.source.stop();
          this.end(voice);
        }
      }
      if (this.duck) this.duck.cancel(when);
      this.last = new Map([...this.last].filter(([, voice]) => voice.start < when));
    }

    /** Everything stops, without a click. */
    silence() {
      if (!d.context) return;
      const now = d.context.currentTime;
      this.cancel(now);
      for (const voice of this.voices) letGo(voice, now, SILENT / QUICK);
      this.last.clear();
    }
  };

  function newContext(rate) {
    if (navigator.audioSession) navigator.audioSession.type = "playback"; // or an iPhone's switch mutes it
    return new (window.AudioContext || window.webkitAudioContext)({ sampleRate: rate, latencyHint: "interactive" });
  }

  function newVoice(name, gain, tone, start, level) {
    const source = new AudioBufferSourceNode(d.context, { buffer: tone.buffer });
    gain.gain.cancelScheduledValues(0);
    gain.gain.setValueAtTime(level, d.context.currentTime);
    source.connect(gain);
    source.start(start, tone.shift, tone.seconds);
    return { name, source, gain, level, start, off: Infinity, rate: 0, end: start + tone.seconds };
  }

  /** From `when` on a voice falls by `rate` dB a second (below 0); earlier orders to fall stand. */
  function letGo(voice, when, rate) {
    const at = Math.max(when, voice.start);
    if (at >= voice.end || (at >= voice.off && rate >= voice.rate)) return;
    const fallen = at > voice.off ? (at - voice.off) * voice.rate : 0;
    const level = voice.level * d.gainOf(fallen);
    const end = Math.min(at + SILENT / rate, voice.end);
    const parameter = voice.gain.gain;
    parameter.cancelScheduledValues(Math.min(at, voice.off));
    if (at > voice.off) { // what was already under way is drawn again up to here
      parameter.setValueAtTime(voice.level, voice.off);
      parameter.exponentialRampToValueAtTime(level, at);
    } else parameter.setValueAtTime(level, at);
    parameter.exponentialRampToValueAtTime(level * d.gainOf(rate * (end - at)), end);
    Object.assign(voice, { off: at, rate, level, end });
    voice.source.stop(end);
  }

  function addLimiter(context, to) {
    const limiter = new DynamicsCompressorNode(context, LIMIT);
    // The node adds 0.6 of what it takes from full scale (Web Audio API, "makeup gain"): taken back.
    const added = 0.6 * -LIMIT.threshold * (1 - 1 / LIMIT.ratio);
    limiter.connect(new GainNode(context, { gain: d.gainOf(-added) })).connect(to);
    return limiter;
  }

  /** Straight up to the knee, then rounded off below full scale: no limiter, no delay. */
  function softCeiling(context) {
    const points = 4097;
    const curve = new Float32Array(points);
    for (let index = 0; index < points; index += 1) {
      const value = (index / (points - 1)) * 4 - 2;
      const over = Math.abs(value) - KNEE;
      curve[index] = over <= 0 ? value : Math.sign(value) * (KNEE + (1 - KNEE) * Math.tanh(over / (1 - KNEE)));
    }
    const shaper = new WaveShaperNode(context, { curve });
    const input = new GainNode(context, { gain: 0.5 }); // the curve reaches from -2 to 2
    input.connect(shaper).connect(context.destination);
    return { input, disconnect: () => shaper.disconnect() };
  }

  /** The room of the mixes: the sum of left and right, through its impulse response. */
  function addRoom(context, room, from, to) {
    const bytes = Uint8Array.from(atob(room.words), (letter) => letter.charCodeAt(0));
    const words = new Int16Array(bytes.buffer);
    const buffer = new AudioBuffer({ length: room.taps, numberOfChannels: 2, sampleRate: context.sampleRate });
    for (const side of [0, 1]) {
      const samples = buffer.getChannelData(side);
      for (let tap = 0; tap < room.taps; tap += 1) samples[tap] = (words[side * room.taps + tap] / 32767) * room.peak;
    }
    // Down-mixing halves the sum (Web Audio API, "Up-mixing and down-mixing"): made good here.
    const send = new GainNode(context, { gain: 2, channelCount: 1, channelCountMode: "explicit" });
    const convolver = new ConvolverNode(context, { buffer, disableNormalization: true });
    from.connect(send).connect(convolver).connect(to);
  }
})(window.drillgen);

/* The ear: what is measured of a recording, as `drillgen/take/listen.py` measures it, by the same
   tables: pitch by YIN (de Cheveigné and Kawahara, JASA 111, 2002), its difference function by FFT;
   the growing of log-spaced bands (Bello et al., IEEE TSAP 13, 2005); level.  It runs in a worker and
   gets its samples block by block, so that a response is read while it is played. */
(function (ear) {
  "use strict";
  const RATE = 22050; // samples a second that come in
  const QUIET = 1e-10; // power that counts as silence

  /** An FFT of `size` complex numbers in place; `sign` 1 for its inverse (not scaled). */
  function fourier(size) {
    const cos = Float64Array.from({ length: size / 2 }, (_, at) => Math.cos((2 * Math.PI * at) / size));
    const sin = Float64Array.from({ length: size / 2 }, (_, at) => Math.sin((2 * Math.PI * at) / size));
    return function (re, im, sign = -1) {
      for (let at = 1, other = 0; at < size; at += 1) {
        let bit = size >> 1;
        for (; other & bit; bit >>= 1) other ^= bit;
        other ^= bit;
        if (at < other) {
          [re[at], re[other]] = [re[other], re[at]];
          [im[at], im[other]] = [im[other], im[at]];
        }
      }
      for (let half = 1; half < size; half *= 2) {
        const stride = size / (2 * half);
        for (let from = 0; from < size; from += 2 * half) {
          for (let at = 0; at < half; at += 1) {
            const c = cos[at * stride];
            const s = sign * sin[at * stride];
            const one = from + at;
            const two = one + half;
            const x = re[two] * c - im[two] * s;
            const y = re[two] * s + im[two] * c;
            re[two] = re[one] - x;
            im[two] = im[one] - y;
            re[one] += x;
            im[one] += y;
          }
        }
      }
    };
  }

  /** How alike two real signals are when the other is so much later: fill `one` and `other`; `alike()` has
      `size` times the sum of products for each lag.  Both spectra come from one FFT. */
  function correlator(size) {
    const turn = fourier(size);
    const [re, im, outRe, outIm] = [0, 1, 2, 3].map(() => new Float64Array(size));
    const alike = () => {
      turn(re, im);
      for (let k = 0; k < size; k += 1) {
        const j = (size - k) % size;
        const aRe = (re[k] + re[j]) / 2, aIm = (im[k] - im[j]) / 2;
        const bRe = (im[k] + im[j]) / 2, bIm = (re[j] - re[k]) / 2;
        outRe[k] = aRe * bRe + aIm * bIm;
        outIm[k] = aRe * bIm - aIm * bRe;
      }
      turn(outRe, outIm, 1);
      return outRe;
    };
    return { one: re, other: im, alike };
  }

  /** The middle value, or the mean of the middle two. */
  const median = (values) => {
    const sorted = [...values].sort((one, other) => one - other);
    const middle = sorted.length >> 1;
    return sorted.length % 2 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2;
  };

  /** Samples at `to` a second from blocks at `from`: a sinc under a Hann window, so many taps to
      either side, which lets through what lies below `pass` of the half of `to`. */
  function resampler(from, to) {
    const reach = 32;
    const pass = 0.96;
    const whole = (a, b) => (b ? whole(b, a % b) : a);
    const shared = whole(from, to);
    const [up, down] = [to / shared, from / shared];
    const cutoff = (pass * Math.min(from, to)) / from;
    const phases = Array.from({ length: up }, (_, phase) => Float64Array.from({ length: 2 * reach }, (_each, k) => {
      const x = k - reach + 1 - phase / up;
      const sinc = x ? Math.sin(Math.PI * cutoff * x) / (Math.PI * x) : cutoff;
      return sinc * (0.5 + 0.5 * Math.cos((Math.PI * x) / (reach + 1)));
    }));
    let kept = new Float32Array(reach - 1); // the last samples; the first of them is at `first`
    let first = 1 - reach;
    let made = 0;
    return function (block) {
      const all = new Float32Array(kept.length + block.length);
      all.set(kept);
      all.set(block, kept.length);
      const out = [];
      for (;; made += 1) {
        const at = Math.floor((made * down) / up) - reach + 1 - first;
        if (at + 2 * reach > all.length) {
          kept = all.slice(at);
          first += at;
          return Float32Array.from(out);
        }
        const taps = phases[(made * down) % up];
        let sum = 0;
        for (let k = 0; k < 2 * reach; k += 1) sum += taps[k] * all[at + k];
        out.push(sum);
      }
    };
  }

  /** YIN of a window of dulled samples: MIDI key and cents, and the dip's height. */
  function pitchReader({ sound: { rate, pitch: { window, from_hz: lowest, to_hz: highest, first_dip: below } } }) {
    const longest = Math.floor(rate / lowest);
    const shortest = Math.floor(rate / highest);
    const part = window - longest - 1; // what is compared is as long as the window leaves
    const { one, other, alike } = correlator(window);
    const normal = new Float64Array(longest + 1);

    function differences(samples, at) {
      one.fill(0);
      let fixed = 0;
      for (let k = 0; k < window; k += 1) {
        other[k] = samples[at + k];
        if (k < part) { one[k] = other[k]; fixed += other[k] * other[k]; }
      }
      const products = alike();
      let moved = fixed;
      let sum = 0;
      normal[0] = 1;
      for (let lag = 1; lag <= longest; lag += 1) {
        moved += samples[at + lag - 1 + part] ** 2 - samples[at + lag - 1] ** 2;
        const apart = Math.max(fixed + moved - (2 * products[lag]) / window, 0);
        sum += apart;
        normal[lag] = sum > QUIET ? (apart * lag) / sum : 1;
      }
    }

    /** The first dip that is deep enough, else the deepest. */
    function dip() {
      let deepest = shortest;
      for (let lag = shortest; lag < longest; lag += 1) {
        if (normal[lag] < below && normal[lag] <= normal[lag - 1] && normal[lag] < normal[lag + 1]) return lag;
        if (normal[lag] < normal[deepest]) deepest = lag;
      }
      return deepest;
    }

    return function (samples, at) {
      differences(samples, at);
      const lag = dip();
      const [before, own, after] = [normal[lag - 1], normal[lag], normal[lag + 1]];
      const bend = before - 2 * own + after;
      const shift = Math.abs(bend) > 1e-12 ? Math.min(Math.max((before - after) / (2 * bend), -1), 1) : 0;
      return [69 + 12 * Math.log2(rate / (lag + shift) / 440), own];
    };
  }

  /** The first bin of each band and of what is above the last, as wide as each other on a logarithmic scale. */
  function bandEdges({ sound: { rate, flux: { window, bands, from_hz: from, to_hz: to } } }) {
    const edges = [];
    for (let number = 0; number <= bands; number += 1) {
      const edge = Math.floor((from * (to / from) ** (number / bands) * window) / rate + 0.5);
      edges.push(edges.length ? Math.max(edge, edges.at(-1) + 1) : edge);
    }
    return edges;
  }

  /** Power in each band of the samples from `at` on. */
  function bandReader(tables) {
    const { window } = tables.sound.flux;
    const edges = bandEdges(tables);
    const turn = fourier(window);
    const [re, im] = [new Float64Array(window), new Float64Array(window)];
    const hann = Float64Array.from({ length: window }, (_, at) => 0.5 - 0.5 * Math.cos((2 * Math.PI * at) / window));
    return function (samples, at) {
      for (let k = 0; k < window; k += 1) re[k] = samples[at + k] * hann[k];
      im.fill(0);
      turn(re, im);
      return edges.slice(1).map((end, band) => {
        let power = 0;
        for (let k = edges[band]; k < end; k += 1) power += re[k] * re[k] + im[k] * im[k];
        return power;
      });
    };
  }

  /** The samples that are still needed: those before `from` are given up. */
  class Tail {
    constructor(before) {
      this.samples = new Float32Array(before); // silence before the first
      this.from = -before;
    }

    get to() { return this.from + this.samples.length; }

    push(block, needed) {
      const gone = Math.min(Math.max(needed - this.from, 0), this.samples.length);
      const all = new Float32Array(this.samples.length - gone + block.length);
      all.set(this.samples.subarray(gone));
      all.set(block, this.samples.length - gone);
      this.samples = all;
      this.from += gone;
    }
  }

  /** Numbers that grow in count: a long recording has millions. */
  class Row {
    constructor() { this.values = new Float32Array(4096); this.length = 0; }

    push(...more) {
      if (this.length + more.length > this.values.length) {
        const larger = new Float32Array(2 * this.values.length);
        larger.set(this.values);
        this.values = larger;
      }
      more.forEach((value, at) => { this.values[this.length + at] = value; });
      this.length += more.length;
    }

    get all() { return this.values.subarray(0, this.length); }
  }

  /** Reads blocks as they come; `notes` says what was heard so far.  Frame i of pitch and level lies
      round the second `i * hop / rate`, as does i of the bands. */
  ear.Reader = class {
    constructor(tables) {
      const { rate, pitch, flux } = tables.sound;
      this.tables = tables;
      this.length = 0; // samples that came
      this.resample = resampler(RATE, rate);
      this.pitchAt = pitchReader(tables);
      this.bandsAt = bandReader(tables);
      this.raw = new Tail(flux.window);
      this.dulled = new Tail(pitch.window);
      [this.pitches, this.dips, this.levels, this.bands] = [0, 1, 2, 3].map(() => new Row());
    }

    /** Seconds that can be judged. */
    get seconds() { return (this.pitches.length * this.tables.sound.pitch.hop) / this.tables.sound.rate; }

    push(block) {
      const { pitch, flux } = this.tables.sound;
      this.length += block.length;
      const { bands } = flux;
      this.raw.push(this.resample(block), (this.bands.length / bands) * flux.hop - flux.window);
      this.dulled.push(this.dull(pitch.average), this.pitches.length * pitch.hop - pitch.window);
      for (let at = 0; (at = this.next(this.raw, this.bands.length / bands, flux)) >= 0;) this.bands.push(...this.bandsAt(this.raw.samples, at));
      for (let at = 0; (at = this.next(this.dulled, this.pitches.length, pitch)) >= 0;) this.readPitch(at + pitch.window / 2, at);
    }

    /** Where the window round a hop begins in the samples that are kept; -1: it is not there yet. */
    next(tail, index, { hop, window }) {
      const from = index * hop - window / 2;
      return from + window <= tail.to ? from - tail.from : -1;
    }

    /** The moving average of some samples, as far as they go. */
    dull(width) {
      const { samples, from, to } = this.raw;
      const first = this.dulled.to;
      const found = new Float32Array(Math.max(to - width / 2 + 1 - first, 0));
      for (let at = 0; at < found.length; at += 1) {
        let sum = 0;
        for (let k = 0; k < width; k += 1) sum += samples[first + at - width / 2 + k - from];
        found[at] = sum / width;
      }
      return found;
    }

    readPitch(centre, at) {
      const { samples } = this.dulled;
      const [pitch, dip] = this.pitchAt(samples, at);
      const { window } = this.tables.sound.level;
      let power = 0;
      for (let k = centre - window / 2; k < centre + window / 2; k += 1) power += samples[k] * samples[k];
      this.pitches.push(pitch);
      this.dips.push(dip);
      this.levels.push(10 * Math.log10(power / window + QUIET));
    }

    /** Level in each band at every hop, dB; what is far below the highest counts as that. */
    bandLevels() {
      const powers = this.bands.all;
      const floor = powers.reduce((most, power) => Math.max(most, power), QUIET) * 10 ** (-this.tables.sound.flux.floor_db / 10);
      return powers.map((power) => 10 * Math.log10(Math.max(power, floor)));
    }

    /** {start, end, pitch, level} of each, in order of start. */
    notes() {
      return ear.notesOf(this, this.tables);
    }
  };

  /** How much the bands rise, on the average, from some hops before to each hop, dB. */
  const flux = (levels, { bands, step }) => Float32Array.from({ length: levels.length / bands }, (_, at) => {
    let grown = 0;
    for (let k = at * bands; at >= step && k < (at + 1) * bands; k += 1) grown += Math.max(levels[k] - levels[k - step * bands], 0);
    return grown / bands;
  });

  Object.assign(ear, { RATE, correlator, flux, median });
})((self.ear = self.ear || {}));

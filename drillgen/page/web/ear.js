/* The ear: what pitches begin where in a recording.  It runs in a worker and gets its samples block
   by block, so that a response is read while it is played.

   Pitch by YIN (de Cheveigné and Kawahara, JASA 111, 2002), its difference function by FFT.  Onsets
   are where log-spaced bands grow (Bello et al., IEEE TSAP 13, 2005), where the pitch takes a step,
   and where the sound comes back after a silence: a bow or a voice may do either without the first. */
(function (ear) {
  "use strict";
  const RATE = 22050; // samples a second that are read
  const HOP = 110; // samples, 5 ms: of levels and bands
  const PITCH_HOPS = 2; // a pitch every so many hops
  const WINDOW = 1024; // samples that YIN compares
  const LAGS = 640; // down to 34 Hz
  const HIGHEST = 1400; // Hz
  const DIP = 0.15; // YIN's threshold, its authors' value between 0.1 and 0.2
  const NEARLY = 0.03; // a dip that is as good as the deepest: of several the first is the period
  const DOUBTFUL = 0.4; // a dip that is worse than this is no pitch
  const SPECTRUM = 1024;
  const DEEP = 42; // dB under the loudest band of the last moments: below that nothing grows
  const LOW = 60; // Hz: bands from here, three an octave
  const FADES = 0.1; // dB a hop: how fast what was loudest is forgotten
  const SILENT = -50; // dB in a band
  const TOP = 9000;
  const FLOOR = -62; // dB of full scale: below that is silence, whatever the room
  const step = HOP / RATE;

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

  const SIZE = 2048; // at least WINDOW + LAGS
  const long = fourier(SIZE);
  const short = fourier(SPECTRUM);
  const re = new Float64Array(SIZE);
  const im = new Float64Array(SIZE);
  const difference = new Float64Array(LAGS + 1);
  const hann = Float64Array.from({ length: SPECTRUM }, (_, at) => 0.5 - 0.5 * Math.cos((2 * Math.PI * at) / SPECTRUM));

  /** YIN's difference function, divided by its running mean, of the samples from `at` on. */
  function differences(samples, at) {
    re.fill(0);
    im.fill(0);
    let fixed = 0;
    for (let k = 0; k < WINDOW + LAGS; k += 1) {
      im[k] = samples[at + k];
      if (k < WINDOW) { re[k] = samples[at + k]; fixed += re[k] * re[k]; }
    }
    long(re, im); // two real spectra in one: of the window, and of what it is compared with
    const productRe = new Float64Array(SIZE);
    const productIm = new Float64Array(SIZE);
    for (let k = 0; k < SIZE; k += 1) {
      const j = (SIZE - k) % SIZE;
      const aRe = (re[k] + re[j]) / 2, aIm = (im[k] - im[j]) / 2;
      const bRe = (im[k] + im[j]) / 2, bIm = (re[j] - re[k]) / 2;
      productRe[k] = aRe * bRe + aIm * bIm;
      productIm[k] = aRe * bIm - aIm * bRe;
    }
    long(productRe, productIm, 1);
    let moved = fixed;
    let sum = 0;
    difference[0] = 1;
    for (let lag = 1; lag <= LAGS; lag += 1) {
      const gone = samples[at + lag - 1];
      const come = samples[at + lag - 1 + WINDOW];
      moved += come * come - gone * gone;
      const d = Math.max(fixed + moved - (2 * productRe[lag]) / SIZE, 0);
      sum += d;
      difference[lag] = sum > 0 ? (d * lag) / sum : 1;
    }
  }

  /** MIDI pitch of the samples from `at` on, as a fraction; 0 where there is none. */
  function pitchAt(samples, at) {
    differences(samples, at);
    const first = Math.floor(RATE / HIGHEST);
    let deepest = 1;
    for (let lag = first; lag < LAGS; lag += 1) deepest = Math.min(deepest, difference[lag]);
    const enough = Math.max(deepest + NEARLY, Math.min(DIP, deepest * 2));
    let best = first;
    while (best < LAGS - 1 && difference[best] > enough) best += 1;
    while (best < LAGS - 1 && difference[best + 1] < difference[best]) best += 1;
    if (difference[best] > DOUBTFUL || best <= first) return 0;
    const [a, b, c] = [difference[best - 1], difference[best], difference[best + 1]];
    const bend = a - 2 * b + c;
    const lag = best + (bend > 0 ? (a - c) / (2 * bend) : 0);
    return 69 + 12 * Math.log2(RATE / lag / 440);
  }

  const edges = [];
  for (let hertz = LOW; hertz < TOP; hertz *= Math.pow(2, 1 / 3)) {
    const bin = Math.max(Math.round((hertz * SPECTRUM) / RATE), edges.length ? edges.at(-1) + 1 : 1);
    edges.push(bin);
  }

  /** Decibels in each band of the samples from `at` on. */
  function bandsAt(samples, at) {
    for (let k = 0; k < SPECTRUM; k += 1) {
      re[k] = samples[at + k] * hann[k];
      im[k] = 0;
    }
    short(re, im);
    const bands = new Float32Array(edges.length - 1);
    for (let band = 0; band < bands.length; band += 1) {
      let power = 0;
      for (let k = edges[band]; k < edges[band + 1]; k += 1) power += re[k] * re[k] + im[k] * im[k];
      bands[band] = 10 * Math.log10(power / SPECTRUM + 1e-7);
    }
    return bands;
  }

  /** Reads blocks as they come; `notes` between two times says what was heard so far. */
  ear.Reader = class {
    constructor() {
      this.samples = new Float32Array(RATE * 30);
      this.length = 0;
      this.levels = []; // dB, a hop
      this.flux = []; // dB that the bands grew, a hop
      this.pitches = []; // MIDI, every PITCH_HOPS hops; 0: none
      this.loudest = -100; // dB in a band, not long ago
      this.before = []; // the last hops' bands
    }

    /** Seconds that can be judged. */
    get seconds() { return this.pitches.length * PITCH_HOPS * step; }

    push(block) {
      if (this.length + block.length > this.samples.length) {
        const larger = new Float32Array(Math.max(2 * this.samples.length, this.length + block.length));
        larger.set(this.samples.subarray(0, this.length));
        this.samples = larger;
      }
      this.samples.set(block, this.length);
      this.length += block.length;
      this.read();
    }

    read() {
      while ((this.levels.length * HOP) + SPECTRUM <= this.length) this.readBands(this.levels.length * HOP);
      for (;;) {
        const at = this.pitches.length * PITCH_HOPS * HOP;
        if (at + WINDOW + LAGS + 1 > this.length) break;
        this.pitches.push(this.levels[(this.pitches.length * PITCH_HOPS) + 5] > FLOOR ? pitchAt(this.samples, at) : 0);
      }
    }

    readBands(at) {
      let power = 0;
      for (let k = 0; k < SPECTRUM; k += 1) power += this.samples[at + k] * this.samples[at + k];
      this.levels.push(10 * Math.log10(power / SPECTRUM + 1e-10));
      const bands = bandsAt(this.samples, at);
      const former = this.before.length > 2 ? this.before.shift() : null;
      this.loudest = Math.max(Math.max(...bands), this.loudest - FADES);
      const least = Math.max(this.loudest - DEEP, SILENT);
      let grown = 0;
      if (former) for (let band = 0; band < bands.length; band += 1) grown += Math.max(bands[band] - Math.max(former[band], least), 0);
      this.flux.push(grown / bands.length);
      this.before.push(bands);
    }

    /** Notes that begin in [from, to) seconds: {start, end, pitch, level}. */
    notes(from, to) {
      return ear.notesOf(this, from, to);
    }
  };

  const median = (values) => {
    const sorted = [...values].sort((one, other) => one - other);
    return sorted.length ? sorted[sorted.length >> 1] : 0;
  };

  Object.assign(ear, { RATE, HOP, PITCH_HOPS, SPECTRUM, WINDOW, LAGS, FLOOR, step, fourier, median });
})((self.ear = self.ear || {}));

/* The worker's desk: what the page asks of the ear, and the answers.
   Times of a microphone are those of the page's audio clock, less the way there and back. */
(function (ear) {
  "use strict";
  const HISTORY = 8; // seconds that are kept of the microphone
  const BEFORE = 0.4; // seconds before a response that are read, too
  const LOUD = 0.75; // of the blocks are softer than what is called their level
  const AGES = 120; // seconds of levels that are kept
  const CLIPPED = 0.0005; // of all samples at full scale
  const EDGE = 0.5; // seconds of a response that a recording may lack
  const AT_ONCE = 10; // seconds of a file between two words on how far it is

  const past = []; // {at, samples}: halved blocks, `at` the seconds of their first sample
  const levels = []; // [seconds, dB] of each
  const readers = new Map(); // of responses that are under way: {reader, origin}
  let tables = null;

  const acts = {
    begin: (data) => { tables = data.tables; },
    listen({ port, rate }) {
      past.length = levels.length = 0;
      readers.clear();
      const halve = halver();
      port.onmessage = ({ data: { frame, samples } }) => came({ at: frame / rate, samples: halve(samples) });
    },
    open({ of, from }) {
      const own = { reader: new ear.Reader(tables), origin: null };
      readers.set(of, own);
      past.filter((block) => block.at >= from - BEFORE).forEach((block) => feed(own, block));
    },
    drop: ({ of }) => { readers.delete(of); },
    judge,
    file,
    chirp: ({ rate }) => ({ samples: ear.chirp(rate), ...ear.CHIRP }),
    delay: ({ starts }) => ({ seconds: delay(starts) }),
  };

  self.onmessage = ({ data }) => {
    const answer = acts[data.act](data);
    if (answer) self.postMessage({ id: data.id, ...answer });
  };

  function came(block) {
    past.push(block);
    while (past[0].at < block.at - HISTORY) past.shift();
    levels.push([block.at, decibels(block.samples)]);
    while (levels[0][0] < block.at - AGES) levels.shift();
    readers.forEach((own) => feed(own, block));
  }

  /** A block that was lost on the way is silence: what comes after it keeps its time. */
  function feed(own, { at, samples }) {
    if (own.origin === null) own.origin = at;
    const missing = Math.round((at - own.origin) * ear.RATE) - own.reader.length;
    if (missing > 1) { own.lost = true; own.reader.push(new Float32Array(missing)); }
    own.reader.push(samples);
  }

  const decibels = (samples) => 10 * Math.log10(samples.reduce((sum, value) => sum + value * value, 1e-10) / samples.length);

  function levelIn([from, to]) {
    const own = levels.filter(([at]) => at >= from && at < to).map(([, level]) => level).sort((one, other) => one - other);
    return own.length ? own[Math.floor(own.length * LOUD)] : null;
  }

  /** One response by the microphone; its times, and `listened` (before it), by the audio clock. */
  function judge({ of, response, listened, delay: way, tuning }) {
    const own = readers.get(of);
    readers.delete(of);
    if (!own || own.origin === null) return { level: null };
    const shift = own.origin - way;
    const heard = own.reader.notes().map((note) => ({ ...note, start: note.start + shift, end: note.end + shift }));
    const found = ear.tuningAt(response.notes, heard, 0, tuning.anyOctave, tables.place);
    const [judged] = ear.judged([response], heard, tuning.matched ? tuning : found, tables);
    return {
      ...judged, tuning: found, lost: Boolean(own.lost),
      level: levelIn([response.start + way, response.end + way]), bleed: listened ? levelIn(listened.map((at) => at + way)) : null,
    };
  }

  /** A recording: where in which track (a list of responses) it lies, and every response that is in it. */
  function file({ id, samples, tracks, anyOctave }) {
    const reader = new ear.Reader(tables);
    for (let at = 0; at < samples.length; at += AT_ONCE * ear.RATE) {
      reader.push(samples.subarray(at, at + AT_ONCE * ear.RATE));
      self.postMessage({ id, share: at / samples.length });
    }
    const clipped = samples.reduce((count, value) => count + (Math.abs(value) > 0.999 ? 1 : 0), 0) > CLIPPED * samples.length;
    const loudest = reader.levels.all.reduce((most, level) => Math.max(most, level), -100);
    const heard = reader.notes();
    const place = ear.placeOf(tracks, heard, reader.seconds, anyOctave, tables);
    if (!place) return { clipped, loudest, place, responses: [] };
    const { at, tuning } = place;
    const inside = tracks[place.track].filter(({ start, end }) => start >= at - EDGE && end <= at + reader.seconds + EDGE);
    const responses = ear.judged(inside, place.heard, tuning, tables);
    return { clipped, loudest, place, responses };
  }

  function delay(starts) {
    const origin = past[0].at;
    const all = new Float32Array(Math.round((past.at(-1).at - origin) * ear.RATE) + past.at(-1).samples.length);
    past.forEach(({ at, samples }) => all.set(samples, Math.round((at - origin) * ear.RATE)));
    return ear.delayOf(all, ear.RATE, starts.map((start) => (start - origin) * ear.RATE));
  }

  /** Every other sample of what goes through a low pass (a sinc under a Hann window). */
  function halver() {
    const reach = 15;
    const taps = Float32Array.from({ length: 2 * reach + 1 }, (_, at) => {
      const x = at - reach;
      const sinc = x ? Math.sin((Math.PI * x) / 2.2) / (Math.PI * x) : 1 / 2.2;
      return sinc * (0.5 + 0.5 * Math.cos((Math.PI * x) / (reach + 1)));
    });
    let before = new Float32Array(2 * reach);
    return function (samples) {
      const all = new Float32Array(before.length + samples.length);
      all.set(before);
      all.set(samples, before.length);
      before = all.slice(-2 * reach);
      return Float32Array.from({ length: samples.length / 2 }, (_, at) => taps.reduce((sum, tap, k) => sum + tap * all[2 * at + k], 0));
    };
  }
})(self.ear);

/* From pitches, levels and growing bands to notes. */
(function (ear) {
  "use strict";
  const { HOP, PITCH_HOPS, SPECTRUM, WINDOW, RATE, step, median } = ear;
  const FRAME = PITCH_HOPS * step; // seconds from pitch to pitch
  const CENTRE = (WINDOW * 0.7) / RATE; // seconds from a pitch's first sample to what it is of
  const SPAN = WINDOW / RATE + 0.01; // seconds that a pitch is read from: within a note, where it is long enough
  const SLACK = 0.005;
  const AHEAD = (SPECTRUM * 0.5) / RATE; // the same for levels and bands
  const SHORTEST = 0.05; // seconds of pitch that make a note
  const TOGETHER = 0.07; // seconds: onsets that are nearer are one
  const STEP = 0.6; // semitones: less is vibrato or a tuning hand
  const SAME = 0.5;
  const STRONG = 3; // dB of flux above its neighbourhood, the mean of the bands
  const AGAIN = 4.5; // for a note that repeats the pitch before it
  const BACK = 12; // dB that a level rises over 60 ms where sound comes back
  const QUIET = 26; // dB under its strongest moment a note is over

  const pitchTime = (index) => index * FRAME + CENTRE;
  const pitchIndex = (time) => Math.max(Math.round((time - CENTRE) / FRAME), 0);
  const hopIndex = (time) => Math.max(Math.round((time - AHEAD) / step), 0);
  const hopTime = (index) => index * step + AHEAD;

  ear.notesOf = function (reader, from = 0, to = Infinity) {
    const first = Math.max(from - 0.3, 0);
    const last = Math.min(to + 2, reader.seconds);
    const onsets = joined([...struck(reader, first, last), ...back(reader, first, last), ...stepped(reader, first, last)]);
    const found = onsets.map((onset, index) => noteFrom(reader, onset, index + 1 < onsets.length ? onsets[index + 1].time : last));
    return settled(reader, found.filter(Boolean)).filter((note) => note.start >= from && note.start < to);
  };

  /** Where the bands grow: peaks of the flux that stand out from what is around them. */
  function struck(reader, from, to) {
    const { flux } = reader;
    const onsets = [];
    const end = Math.min(hopIndex(to), flux.length - 1);
    for (let at = Math.max(hopIndex(from), 4); at < end; at += 1) {
      const near = flux.slice(Math.max(at - 6, 0), at + 7);
      if (flux[at] < Math.max(...near)) continue;
      const around = median(flux.slice(Math.max(at - 20, 0), at + 21));
      const strength = flux[at] - around;
      if (strength >= STRONG) onsets.push({ time: sharp(reader, hopTime(at)), strength, kind: 0 });
    }
    return onsets;
  }

  /** The moment within some milliseconds at which the level rises most. */
  function sharp(reader, time) {
    const { samples, length } = reader;
    const slice = 44; // samples, 2 ms
    const levelAt = (at) => {
      let power = 1e-9;
      for (let k = at; k < at + 3 * slice; k += 1) power += samples[k] * samples[k];
      return Math.log(power);
    };
    const centre = Math.round(time * RATE);
    let best = centre;
    let rise = -Infinity;
    for (let at = centre - 14 * slice; at <= centre + 6 * slice; at += slice) {
      if (at < 3 * slice || at + 3 * slice > length) continue;
      const grown = levelAt(at) - levelAt(at - 3 * slice);
      if (grown > rise) { rise = grown; best = at; }
    }
    return best / RATE;
  }

  /** Where the level comes back from a silence, as a bow or a voice does. */
  function back(reader, from, to) {
    const { levels } = reader;
    const onsets = [];
    const end = Math.min(hopIndex(to), levels.length);
    for (let at = Math.max(hopIndex(from), 16); at < end; at += 1) {
      const low = Math.min(...levels.slice(at - 14, at));
      const rises = levels[at] > Math.max(low + BACK, ear.FLOOR + 6) && levels[at - 1] <= Math.max(low + BACK, ear.FLOOR + 6);
      if (rises) onsets.push({ time: hopTime(at) - 0.01, strength: levels[at] - low, kind: 1 });
    }
    return onsets;
  }

  /** Where the pitch takes a step and stays. */
  function stepped(reader, from, to) {
    const { pitches } = reader;
    const onsets = [];
    let peak = null;
    const end = Math.min(pitchIndex(to), pitches.length);
    for (let at = Math.max(pitchIndex(from), 8); at < end - 6; at += 1) {
      const before = pitches.slice(at - 8, at - 1).filter(Boolean);
      const after = pitches.slice(at + 1, at + 8).filter(Boolean);
      const step = before.length > 3 && after.length > 3 ? Math.abs(median(after) - median(before)) : 0;
      if (step > STEP && (!peak || step > peak.step + 0.05)) peak = { step, at, last: at };
      else if (step > STEP && Math.abs(step - peak.step) <= 0.05) peak.last = at;
      if (peak && (step <= STEP || at - peak.at > 10)) {
        const time = pitchTime((peak.at + peak.last) / 2);
        onsets.push({ time, strength: 0, kind: 2 });
        peak = null;
      }
    }
    return onsets;
  }

  /** One onset where several are near each other: the most exact kind, the strongest of its kind. */
  function joined(onsets) {
    const kept = [];
    for (const onset of onsets.sort((one, other) => one.kind - other.kind || other.strength - one.strength)) {
      const reach = onset.kind ? 1.3 * TOGETHER : TOGETHER;
      if (!kept.some((each) => Math.abs(each.time - onset.time) < reach)) kept.push(onset);
    }
    return kept.sort((one, other) => one.time - other.time);
  }

  /** The note that an onset begins, until the next one; null where nothing has a pitch. */
  function noteFrom(reader, onset, next) {
    const { pitches, levels } = reader;
    const from = pitchIndex(onset.time);
    const to = Math.min(pitchIndex(next), pitches.length);
    const heard = [];
    for (let at = from; at < to; at += 1) if (pitches[at]) heard.push([at, pitches[at]]);
    if (heard.length * FRAME < SHORTEST) return null;
    const own = heard.filter(([at]) => at * FRAME >= onset.time - SLACK && at * FRAME + SPAN <= next);
    const pitch = median((own.length > 2 ? own : heard).map(([, value]) => value));
    const steady = heard.filter(([, value]) => Math.abs(value - pitch) < SAME);
    if (steady.length * FRAME < SHORTEST) return null;
    const span = levels.slice(hopIndex(onset.time), hopIndex(next));
    const level = Math.max(...span);
    let over = span.length;
    while (over > 1 && span[over - 1] < Math.max(level - QUIET, ear.FLOOR)) over -= 1;
    const voiced = pitchTime(steady.at(-1)[0]) + 0.02;
    const end = Math.min(next, Math.max(onset.time + SHORTEST, Math.min(onset.time + over * step, voiced)));
    return { start: onset.time, end, pitch, level, strength: onset.strength, kind: onset.kind };
  }

  /** Glides belong to the note that they lead to, and what only trembles is one note. */
  function settled(reader, notes) {
    const kept = [];
    for (const note of notes) {
      const before = kept.at(-1);
      if (before && note.kind === 2 && note.level < before.level - QUIET) continue; // what dies away has no steps
      const near = before && note.start - before.end < 0.06;
      const weak = note.kind === 2 || (note.kind === 0 && note.strength < AGAIN) || (note.kind === 1 && note.strength < BACK + 3);
      if (near && weak && Math.abs(note.pitch - before.pitch) < SAME) before.end = Math.max(note.end, before.end);
      else if (near && note.kind === 2 && before.end - before.start < 0.09) {
        Object.assign(before, { pitch: note.pitch, end: note.end, level: Math.max(before.level, note.level) });
      } else kept.push(note);
    }
    return kept;
  }

  Object.assign(ear, { frame: FRAME, hopIndex, hopTime, pitchIndex, pitchTime });
})(self.ear);

/* Where in which track a recording lies, and how its player is tuned: `drillgen/take/place.py`, by the
   same tables.  A track's notes are in order of time. */
(function (ear) {
  "use strict";
  const START = 0;
  const KEY = 2;

  /** The track (its number) and the second of it that the recording begins with, and the player's tuning;
      null where nothing fits well enough.  `tracks`: the responses of each. */
  ear.placeOf = function (tracks, heard, seconds, anyOctave, tables) {
    const rules = tables.place;
    const cents = ear.ownTuning(heard, rules);
    const asked = tracks.map((responses) => responses.flatMap(({ notes }) => notes).sort(([one], [other]) => one - other));
    let best = null;
    asked.forEach((notes, track) => {
      for (const at of voted(notes, heard, cents, rules)) {
        const score = fit(notes, heard, cents, at, seconds, rules);
        if (!best || score > best.score) best = { track, at, score };
      }
    });
    if (!best) return null;
    const notes = asked[best.track];
    const near = pairs(notes, heard, best.at, cents, rules);
    if (near.length) best.at += middle(near.map(([note, other]) => note[START] - (other.start + best.at)));
    const tuning = ear.tuningAt(notes, heard, best.at, anyOctave, rules);
    const inside = notes.filter((note) => note[START] >= best.at && note[START] < best.at + seconds).length;
    const placed = heard.map((note) => ({ ...note, start: note.start + best.at, end: note.end + best.at }));
    const due = ear.sharedOut(tracks[best.track], placed, tables.judge).flat().length; // heard where an answer is due
    return tuning.matched < rules.least_share * Math.max(inside, due) ? null : { ...best, tuning, heard: placed };
  };

  /** Cents sharp, -50 to 50: the mean direction of all notes on a circle of a semitone. */
  ear.ownTuning = function (heard, rules) {
    const mean = (wave) => heard.reduce((sum, { pitch }) => sum + wave(2 * Math.PI * pitch), 0) / Math.max(heard.length, 1);
    const [x, y] = [mean(Math.cos), mean(Math.sin)];
    return Math.hypot(x, y) > rules.of_one_tuning ? (Math.atan2(y, x) / (2 * Math.PI)) * 100 : 0;
  };

  /** A player's tuning and octave, by the notes that fit at a place, and how many those are. */
  ear.tuningAt = function (asked, heard, at, anyOctave, rules) {
    const cents = ear.ownTuning(heard, rules);
    const near = pairs(asked, heard, at, cents, rules);
    const octaves = near.length ? Math.round(middle(near.map(([note, other]) => (other.pitch - cents / 100 - note[KEY]) / 12))) : 0;
    const off = near.map(([note, other]) => ear.folded((other.pitch - note[KEY]) * 100 - cents) + cents);
    return { cents: off.length >= rules.tuned_by ? middle(off) : 0, octaves, anyOctave, matched: near.length };
  };

  /** The places with most votes: each heard note votes with each asked one of its name. */
  function voted(asked, heard, cents, rules) {
    const width = rules.bin_ms / 1000;
    const places = asked.flatMap((note) => heard.filter((other) => alike(note, other, cents, rules)).map((other) => note[START] - other.start));
    const first = Math.min(...places) - width;
    const votes = new Map();
    places.map((place) => Math.trunc((place - first) / width)).forEach((bin) => votes.set(bin, (votes.get(bin) || 0) + 1));
    const wide = (bin) => (votes.get(bin - 1) || 0) + (votes.get(bin) || 0) + (votes.get(bin + 1) || 0);
    const peaks = [...votes.keys()].sort((one, other) => wide(other) - wide(one) || one - other).slice(0, rules.tried);
    return peaks.map((bin) => first + (bin + 0.5) * width).map((centre) => middle(places.filter((place) => Math.abs(place - centre) < 1.5 * width)));
  }

  const alike = (note, other, cents, rules) => Math.abs(ear.folded((other.pitch - note[KEY]) * 100 - cents)) < 100 * rules.same_semitones;

  /** Notes that fit, less a share of those that were asked and not heard. */
  function fit(asked, heard, cents, at, seconds, rules) {
    const reach = rules.near_ms / 1000;
    return asked.filter((note) => note[START] >= at && note[START] < at + seconds).reduce((sum, note) => {
      const near = Math.min(...heard.filter((other) => alike(note, other, cents, rules)).map((other) => Math.abs(other.start + at - note[START])), Infinity);
      return sum + (near > reach ? -rules.missing : 1 - near / reach);
    }, 0);
  }

  /** Each asked note with the nearest heard one of its name. */
  function pairs(asked, heard, at, cents, rules) {
    return asked.flatMap((note) => {
      const apart = (other) => Math.abs(other.start + at - note[START]);
      const same = heard.filter((other) => apart(other) < rules.near_ms / 1000 && alike(note, other, cents, rules));
      return same.length ? [[note, same.reduce((best, other) => (apart(other) < apart(best) ? other : best))]] : [];
    });
  }

  /** The median; of an even number the mean of the two in the middle. */
  function middle(values) {
    const sorted = [...values].sort((one, other) => one - other);
    const half = sorted.length >> 1;
    return sorted.length % 2 ? sorted[half] : (sorted[half - 1] + sorted[half]) / 2;
  }
})(self.ear);

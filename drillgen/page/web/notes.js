/* What is measured of a sound to the notes in it: what `drillgen/take/notes.py` does, by the same
   tables and in the same order. */
(function (ear) {
  "use strict";
  const { median } = ear;

  /** The first of sorted onsets that is not before a second. */
  function firstFrom(onsets, second) {
    let [low, high] = [0, onsets.length];
    while (low < high) {
      const middle = (low + high) >> 1;
      if (onsets[middle].time < second) low = middle + 1; else high = middle;
    }
    return low;
  }

  /** The peaks of the flux that stand out from what is round them: {time, height}. */
  function onsetsIn(rises, hop, rules) {
    const [apart, around] = [rules.peak_apart_ms, rules.peak_around_ms].map((ms) => Math.round(ms / 1000 / hop));
    const found = [];
    rises.forEach((value, index) => {
      if (value < rules.peak_flux || (found.length && index - found.at(-1) < apart)) return;
      if (value < Math.max(...rises.subarray(Math.max(index - apart, 0), index + apart + 1))) return;
      const near = rises.subarray(Math.max(index - around, 0), index + around);
      if (value >= (rules.peak_over_mean * near.reduce((sum, each) => sum + each, 0)) / near.length) found.push(index);
    });
    return found.map((index) => ({ time: index * hop, height: rises[index] }));
  }

  /** A note while it goes on; frames count from the sound's start. */
  class Growing {
    constructor(settled, { first, onset, clear, struck, last, top }) {
      Object.assign(this, { settled, first, onset, clear, struck, last, top });
      this.pitches = []; // [frame, pitch]
      this.ordered = []; // those after the attack, by height
    }

    add(frame, pitch) {
      this.pitches.push([frame, pitch]);
      if (this.pitches.length <= this.settled) return;
      let [low, high] = [0, this.ordered.length];
      while (low < high) {
        const middle = (low + high) >> 1;
        if (this.ordered[middle] <= pitch) low = middle + 1; else high = middle;
      }
      this.ordered.splice(low, 0, pitch);
    }

    /** The middle one of its pitches, the attack left out where there are others. */
    get pitch() {
      const { ordered } = this;
      const middle = ordered.length >> 1;
      if (!ordered.length) return median(this.pitches.map(([, pitch]) => pitch));
      return ordered.length % 2 ? ordered[middle] : (ordered[middle - 1] + ordered[middle]) / 2;
    }
  }

  /** From frame to frame, with the note that is sounding. */
  class Finder {
    constructor(reader, { sound, notes: rules }) {
      this.rules = rules;
      this.frame = sound.pitch.hop / sound.rate; // seconds
      this.settled = Math.round(rules.settled_ms / 1000 / this.frame);
      this.pitch = reader.pitches.all;
      this.level = reader.levels.all;
      const floor = this.level.reduce((most, level) => Math.max(most, level), -200) - rules.floor_db;
      this.voiced = reader.dips.all.map((dip, at) => Number(dip < sound.pitch.voiced && this.level[at] > floor));
      this.bands = reader.bandLevels();
      this.count = sound.flux.bands;
      this.hop = sound.flux.hop / sound.rate; // seconds
      this.onsets = onsetsIn(ear.flux(this.bands, sound.flux), this.hop, rules);
      this.next = 0; // of the onsets
      this.ended = -1; // seconds: the end of the last note
      this.began = -1; // and its beginning
      this.note = null;
    }

    /** Every note, in order. */
    grown() {
      const found = [];
      for (let frame = 0; frame < this.pitch.length; frame += 1) {
        const before = this.note;
        if (before) this.goOn(frame, before); else this.begin(frame);
        if (before && this.note !== before) found.push(before);
      }
      return this.note ? [...found, this.note] : found;
    }

    voicedFrom(frame, count) {
      return this.voiced.subarray(frame, frame + count).every(Boolean);
    }

    begin(frame) {
      const { begin_frames: count, step_semitones: most } = this.rules;
      if (!this.voicedFrom(frame, count)) return;
      const ahead = this.pitch.subarray(frame, frame + count);
      if (Math.max(...ahead) - Math.min(...ahead) < most) this.note = this.made(frame);
    }

    made(frame) {
      const onset = this.onsetNear(frame);
      this.began = this.dated(frame, onset);
      const note = new Growing(this.settled, {
        first: frame, onset: this.began, clear: Boolean(onset),
        struck: Boolean(onset) && this.rises(Math.round(onset.time / this.frame)), last: frame, top: this.level[frame],
      });
      note.add(frame, this.pitch[frame]);
      return note;
    }

    /** When a note began, seconds: at its onset; where that is soft, when its level rose. */
    dated(frame, onset) {
      const risen = !onset || onset.height < this.rules.soft_flux ? this.risen(frame) : null;
      if (!onset) return risen === null ? this.withoutOnset(frame) : risen;
      return risen === null ? onset.time : Math.min(onset.time, risen);
    }

    /** When a note rose to a tenth of its power, in the bands that have grown into it since shortly
        before; null where none has. */
    risen(frame) {
      const { rules, hop, bands, count } = this;
      const earliest = Math.max(frame * this.frame - rules.rise_back_ms / 1000, this.began + rules.shortest_ms / 1000, 0);
      const first = Math.ceil(earliest / hop);
      const last = Math.min(Math.round((frame * this.frame) / hop), bands.length / count - 1);
      if (last <= first) return null;
      const column = (band, from, to) => Array.from({ length: Math.min(to, bands.length / count) - from }, (_, at) => bands[(from + at) * count + band]);
      const settled = Array.from({ length: count }, (_, band) => median(column(band, last, last + rules.level_hops)));
      const loud = Math.max(...settled) - rules.near_db;
      const own = [...settled.keys()].filter((band) => settled[band] > loud && settled[band] - Math.min(...column(band, first, last + 1)) >= rules.grown_db);
      if (!own.length) return null;
      const below = Array.from({ length: last + 1 - first }, (_, at) => own.reduce((sum, band) => sum + settled[band] - bands[(first + at) * count + band], 0) / own.length);
      const least = Math.min(rules.risen_db, rules.risen_share * Math.max(...below));
      return (first + below.findLastIndex((each) => each >= least)) * hop;
    }

    withoutOnset(frame) {
      const at = frame * this.frame;
      const slurred = at - this.ended <= (2 * this.rules.joined_ms) / 1000;
      return slurred ? (at + this.ended) / 2 : at - this.rules.lead_ms / 1000;
    }

    /** The highest onset since shortly before, but not in the note before; null where there is none. */
    onsetNear(frame) {
      const at = frame * this.frame;
      const low = Math.max(at - this.rules.near_onset_ms / 1000, this.ended - this.rules.overlap_ms / 1000);
      const high = at + this.rules.late_onset_ms / 1000;
      let best = null;
      for (let index = firstFrom(this.onsets, low); index < this.onsets.length && this.onsets[index].time <= high; index += 1) {
        const onset = this.onsets[index];
        if ((!best || onset.height >= best.height) && this.soundsFrom(onset.time, frame)) best = onset;
      }
      return best;
    }

    /** Whether it sounds all the while from an onset to a frame, nearly as loud as there. */
    soundsFrom(onset, frame) {
      const between = this.level.subarray(Math.min(Math.round(onset / this.frame) + 2, frame), frame + 1);
      return Math.min(...between) >= this.level[frame] - this.rules.alive_db;
    }

    goOn(frame, note) {
      this.ended = note.last * this.frame;
      if (this.struckAgain(frame, note) || this.stepped(frame, note)) {
        this.note = this.made(frame);
      } else if (this.belongs(frame, note)) {
        note.last = frame;
        note.top = Math.max(note.top, this.level[frame]);
        note.add(frame, this.pitch[frame]);
      } else if (frame - note.last >= this.rules.end_frames) {
        this.note = null;
      }
    }

    /** Whether a frame sounds like the note: periodic, near its pitch, not died away. */
    belongs(frame, note) {
      const near = Math.abs(this.pitch[frame] - note.pitch) < this.rules.step_semitones;
      return Boolean(this.voiced[frame]) && near && this.level[frame] >= note.top - this.rules.ends_below_db;
    }

    /** Whether an onset lies in this frame with a rise of the level that lasts. */
    struckAgain(frame, note) {
      while (this.next < this.onsets.length && this.onsets[this.next].time < (frame - 0.5) * this.frame) this.next += 1;
      if (this.next === this.onsets.length || this.onsets[this.next].time >= (frame + 0.5) * this.frame) return false;
      return frame - note.first >= this.rules.rise_frames && this.rises(frame);
    }

    /** Whether the level rises here, and stays up. */
    rises(frame) {
      const { rise_frames: width, rise_after: settled, rise_db: least } = this.rules;
      const before = Math.min(...this.level.subarray(Math.max(frame - width, 0), frame + 1));
      const after = this.level.subarray(frame + settled, frame + settled + width);
      return after.length > 0 && median(after) - before >= least;
    }

    /** Whether the pitch lies elsewhere from here on. */
    stepped(frame, note) {
      const { step_frames: count, step_semitones: least } = this.rules;
      if (!this.voicedFrom(frame, count)) return false;
      const own = note.pitch;
      const ahead = this.pitch.subarray(frame, frame + count);
      return ahead.every((pitch) => pitch - own > least) || ahead.every((pitch) => pitch - own < -least);
    }
  }

  /** One after the other, those that are one: a note that goes on after a hole, a false start on a
      partial, a tail in which a partial is left. */
  function joined(grown, { rules, frame, settled }) {
    const gap = (first, second) => (second.first - first.last) * frame * 1000;
    const near = (first, second) => !second.struck && gap(first, second) <= rules.joined_ms;
    const goesOn = (first, second) => Math.abs(first.pitch - second.pitch) < rules.step_semitones && !second.struck && gap(first, second) <= rules.same_joined_ms;
    const itsOwn = (first, second) => second.clear && (second.onset - first.onset) * 1000 >= rules.own_onset_ms;
    const falseStart = (first, second) => (first.last - first.first) * frame * 1000 < rules.false_start_ms && near(first, second) && !itsOwn(first, second);
    const isPartial = (first, second) => rules.partials.some((partial) => Math.abs(second.pitch - first.pitch - partial) < 0.6);
    const tail = (first, second) => near(first, second) && second.top < first.top - rules.rise_db && isPartial(first, second);
    const found = [];
    for (const note of grown) {
      const before = found.at(-1);
      const pitched = !before ? null : goesOn(before, note) ? [before, note] : falseStart(before, note) ? [note] : tail(before, note) ? [before] : null;
      if (pitched) {
        const one = new Growing(settled, { ...before, last: note.last, top: Math.max(before.top, note.top) });
        pitched.forEach(({ pitches }) => pitches.forEach(([at, pitch]) => one.add(at, pitch)));
        found[found.length - 1] = one;
      } else found.push(note);
    }
    return found;
  }

  /** As it is handed out; null where it is too short to be one.  `following`: when the next begins. */
  function finished(note, following, finder) {
    const { rules, frame } = finder;
    const end = (note.last + 1) * frame;
    if ((end - note.onset) * 1000 < rules.shortest_ms || note.pitches.length < rules.voiced_frames) return null;
    const start = Math.max(note.onset - rules.early_ms / 1000, 0);
    return { start, end, pitch: pitchBefore(note, following, finder), level: note.top };
  }

  /** The middle one of the pitches that are read from this note alone, where there are enough. */
  function pitchBefore(note, following, { rules, frame, settled }) {
    const before = note.pitches.filter(([at]) => at * frame + rules.reach_ms / 1000 <= following);
    const within = before.filter(([at]) => at * frame - rules.settled_ms / 1000 >= note.onset);
    const alone = [before.slice(settled), within].find(({ length }) => length >= rules.alone_frames);
    return alone ? median(alone.map(([, pitch]) => pitch)) : note.pitch;
  }

  /** Those that are not far softer than the louder half: what a loudspeaker adds is. */
  function loudEnough(found, rules) {
    if (!found.length) return [];
    const tops = found.map(({ level }) => level).sort((one, other) => one - other);
    const usual = median(tops.slice(tops.length >> 1));
    return found.filter(({ level }) => level >= usual - rules.softer_db);
  }

  /** The notes in what was measured, in order of start. */
  ear.notesOf = function (reader, tables) {
    const finder = new Finder(reader, tables);
    const grown = joined(finder.grown(), finder);
    const found = grown.map((note, index) => finished(note, index + 1 < grown.length ? grown[index + 1].onset : Infinity, finder));
    return loudEnough(found.filter(Boolean), tables.notes);
  };
})(self.ear);

/* Under a spoken word the band steps back, as in the mixes (`drillgen/sound/levels.py`). */
(function (d) {
  "use strict";
  const PAST = 1; // seconds after which a word's ramp is surely over
  const QUICK = 0.02; // seconds: the ramp to a word that begins at once

  d.Duck = class {
    /** `input`: what yields goes through it.  `rule`: {by: dB, comes, goes: seconds before and after a word}. */
    constructor(context, to, rule) {
      this.input = new GainNode(context);
      this.input.connect(to);
      this.rule = rule;
      this.words = []; // {from, start, end} in seconds of the context, in order
    }

    /** Step back from a time of the context to another. */
    under(start, end) {
      const now = this.input.context.currentTime;
      const word = { from: Math.max(start - this.rule.comes, now), start: Math.max(start, now + QUICK), end };
      this.words = [...this.words.filter((each) => each.end > now - PAST), word];
      this.draw(now);
    }

    /** Words that begin later are not said after all. */
    cancel(when) {
      if (!this.words.length) return;
      this.words = this.words.filter((word) => word.start < when);
      this.draw(when);
    }

    /** The corners of the curve; between words that follow closely the band stays down. */
    corners() {
      const { by, comes, goes } = this.rule;
      const joined = [];
      for (const word of this.words) {
        const last = joined.at(-1);
        if (last && word.start - last.end < comes + goes) last.end = Math.max(last.end, word.end);
        else joined.push({ ...word });
      }
      const low = d.gainOf(-by);
      return joined.flatMap(({ from, start, end }) => [[from, 1], [start, low], [end, low], [end + goes, 1]]);
    }

    draw(from) {
      const corners = this.corners();
      const { gain } = this.input;
      gain.cancelScheduledValues(from);
      gain.setValueAtTime(valueAt(corners, from), from);
      corners.filter(([at]) => at > from).forEach(([at, value]) => gain.exponentialRampToValueAtTime(value, at));
    }
  };

  /** Straight lines in decibels. */
  function valueAt(corners, time) {
    const next = corners.findIndex(([at]) => at > time);
    if (next < 1) return 1;
    const [[from, before], [to, after]] = [corners[next - 1], corners[next]];
    return before * (after / before) ** ((time - from) / (to - from));
  }
})(window.drillgen);

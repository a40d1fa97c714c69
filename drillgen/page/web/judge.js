/* Asked notes and heard notes to verdicts: what `drillgen/take/judge.py` does, by the same tables.
   An asked note is [start, end, MIDI key, name]; a heard one {start, end, pitch}. */
(function (ear) {
  "use strict";
  const START = 0;
  const END = 1;
  const KEY = 2;

  /** Every response that was heard: {response, verdicts, extra, right}.  `heard`: in its seconds. */
  ear.judged = function (responses, heard, tuning, tables) {
    const own = ear.sharedOut(responses, inReach(responses, heard, tuning, tables.judge), tables.judge);
    return responses.map((response, index) => ({ response, ...ear.judge(response.notes, own[index], tuning, tables) }));
  };

  /** What the player may have played: more semitones beyond all that is asked is another instrument. */
  function inReach(responses, heard, { octaves, anyOctave }, rules) {
    const keys = responses.flatMap(({ notes }) => notes).map((note) => note[KEY] + 12 * octaves);
    const beyond = rules.beyond_semitones + (anyOctave ? 12 : 0);
    const [low, high] = [Math.min(...keys) - beyond, Math.max(...keys) + beyond];
    return heard.filter(({ pitch }) => low <= pitch && pitch <= high);
  }

  /** A response with a verdict on each asked note: {verdicts, extra, right}. */
  ear.judge = function (asked, heard, tuning, tables) {
    const of = new Map(aligned(asked, heard, tuning, tables));
    const taken = new Set(of.values());
    const verdicts = asked.map((note, index) => of.has(index) ? verdictOn(note, heard[of.get(index)], tuning, tables) : { asked: note, verdict: "missing" });
    const right = verdicts.filter(({ verdict }) => tables.counts_as_right.includes(verdict)).length;
    return { verdicts, extra: heard.filter((_, index) => !taken.has(index)), right };
  };

  /** Pairs of indices, both in order, at the least cost (Needleman and Wunsch, 1970). */
  function aligned(asked, heard, tuning, tables) {
    const { skip } = tables.judge;
    const widths = windows(asked, tables.judge);
    const pair = (i, j) => pairCost(asked[i - 1], heard[j - 1], widths[i - 1], tuning, tables.judge);
    const cost = Array.from({ length: asked.length + 1 }, (_, i) => Array.from({ length: heard.length + 1 }, (_, j) => (i + j) * skip));
    for (let i = 1; i <= asked.length; i += 1) {
      for (let j = 1; j <= heard.length; j += 1) {
        cost[i][j] = Math.min(cost[i - 1][j - 1] + pair(i, j), cost[i - 1][j] + skip, cost[i][j - 1] + skip);
      }
    }
    const pairs = [];
    for (let i = asked.length, j = heard.length; i && j;) {
      if (cost[i - 1][j - 1] + pair(i, j) <= cost[i][j]) pairs.unshift([--i, --j]);
      else if (cost[i - 1][j] + skip <= cost[i][j]) i -= 1;
      else j -= 1;
    }
    return pairs;
  }

  /** Seconds that a heard note may lie from each asked one. */
  function windows(asked, rules) {
    const most = rules.window_most_ms / 1000;
    return asked.map((note, index) => {
      const before = index ? note[START] - asked[index - 1][START] : most;
      const after = index + 1 < asked.length ? asked[index + 1][START] - note[START] : most;
      return Math.min(Math.max(rules.window_share * Math.min(before, after), rules.window_least_ms / 1000), most);
    });
  }

  function pairCost(asked, heard, window, tuning, rules) {
    const apart = Math.abs(heard.start - asked[START]) / window;
    if (apart > 1) return 3 * rules.skip;
    return apart + (rules[kindOf(centsOff(asked, heard, tuning), tuning, rules)] || 0);
  }

  const centsOff = (asked, heard, { cents, octaves }) => (heard.pitch - asked[KEY] - 12 * octaves) * 100 - cents;

  const folded = (cents) => ((((cents + 600) % 1200) + 1200) % 1200) - 600;

  function kindOf(cents, tuning, rules) {
    if (Math.abs(cents) <= rules.right_cents) return "right";
    if (Math.abs(folded(cents)) <= rules.right_cents) return tuning.anyOctave ? "right" : "octave";
    return "wrong";
  }

  function verdictOn(asked, heard, tuning, tables) {
    const rules = tables.judge;
    const off = centsOff(asked, heard, tuning);
    const kind = kindOf(off, tuning, rules);
    const cents = kind === "wrong" ? off : folded(off);
    const ms = (heard.start - asked[START]) * 1000;
    const length = lengthOf(asked, heard, rules);
    const so = {
      wrong: kind === "wrong", octave: kind === "octave",
      sharp: cents > rules.intonation_cents, flat: cents < -rules.intonation_cents,
      early: ms < -rules.time_ms, late: ms > rules.time_ms, short: length === "short", right: true,
    };
    return { asked, verdict: tables.order.find((name) => so[name]), heard, ms, cents, length };
  }

  function lengthOf(asked, heard, rules) {
    const share = (heard.end - heard.start) / Math.max(asked[END] - asked[START], 1e-6);
    if (share < rules.short) return "short";
    return share >= rules.connected ? "connected" : "normal";
  }

  /** Which heard notes belong to which response: the one whose asked note is nearest, if it reaches so far. */
  ear.sharedOut = function (responses, heard, rules) {
    const around = rules.around_ms / 1000;
    const found = responses.map(() => []);
    const begins = ({ start, notes }) => Math.min(start, ...notes.slice(0, 1).map((note) => note[START]));
    const nearest = ({ notes }, at) => Math.min(1e9, ...notes.map((note) => Math.abs(note[START] - at)));
    for (const note of heard) {
      let best = -1;
      responses.forEach((response, index) => {
        const inside = begins(response) - around <= note.start && note.start < response.end + around;
        if (inside && (best < 0 || nearest(response, note.start) < nearest(responses[best], note.start))) best = index;
      });
      if (best >= 0) found[best].push(note);
    }
    return found;
  };

  Object.assign(ear, { folded, centsOff, windows });
})(self.ear);

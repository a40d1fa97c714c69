/* Whose turn it is, in words, and how long it stays so. */
(function (d) {
  "use strict";
  const COUNT_IN = 0;
  const CALL = 1;
  const RESPONSE = 2;

  // By the number of a bar's role: what is said while it lasts, and before it begins.
  const WORDS = [
    ["Count-in", "the count-in"],
    ["Listen", "listen"],
    ["Your turn", "your turn"],
    ["Play along", "play along"],
    ["Last chord", "the last chord"],
  ];

  const MUTED_CALL = ["Play the line", "play the line"]; // there is nothing to listen to

  d.isYourTurn = (role) => role === RESPONSE;

  d.turnWord = (role) => WORDS[role][0];

  /** What is said of a role, and before it, by what is heard. */
  function wordsOf(role, player) {
    const line = player.band.levels.get("line");
    return role === CALL && line && !line.on ? MUTED_CALL : WORDS[role];
  }

  /** What is said of a place in the music: {word, beats, then, role}. */
  d.turnAt = function (drill, layout, player, here) {
    const roleOf = (bar) => layout.bars[bar][0];
    const role = roleOf(here.bar);
    const left = drill.beats - Math.floor(here.share * drill.beats + 1e-6); // 0: the last chord dies away
    const found = ahead(player, here, (bar) => roleOf(bar) === role);
    const beats = left + found.bars * drill.beats;
    const cue = role === COUNT_IN && here.bar === 0 && drill.parts.some((part) => part.name === "cue");
    return {
      role,
      word: cue ? "Starting note" : wordsOf(role, player)[0],
      beats: found.endless ? null : beats,
      loading: player.holds(here.stretch),
      then: found.bar === null ? "the end" : wordsOf(roleOf(found.bar), player)[1],
      key: layout.bars[here.bar][1],
    };
  };

  /** How many more bars are alike, and the first that is not (null: the music ends). */
  function ahead(player, here, alike) {
    let { bar, stretch } = here;
    for (let bars = 0; bars <= player.take.bars.length; bars += 1) {
      if (bar < stretch.last) bar += 1;
      else {
        const at = player.stretches.indexOf(stretch); // -1: it is not planned yet
        const after = (at >= 0 && player.stretches[at + 1]) || player.following(stretch);
        if (!after) return { bars, bar: null };
        stretch = after;
        bar = after.bar;
      }
      if (!alike(bar)) return { bars, bar };
    }
    return { bars: 0, bar: null, endless: true }; // a repeated stretch that is all alike
  }

  /** The chord that sounds at a place, and the next one. */
  d.chordsAt = function (drill, layout, player, here) {
    const beat = here.share * drill.beats + 1e-6;
    const own = layout.bars[here.bar][4];
    const index = own.findLastIndex(([, at]) => at <= beat);
    const now = index >= 0 ? own[index][0] : "";
    const rest = own.slice(index + 1).find(([text]) => text !== now);
    return { now, next: rest ? rest[0] : nextChord(layout, player, here, now) };
  };

  /** Seconds until the next beat, chord or bar: nothing that is shown changes in between. */
  d.secondsToNext = function (drill, layout, player, here) {
    const beat = here.share * drill.beats + 1e-6;
    const chord = layout.bars[here.bar][4].find(([, at]) => at > beat);
    const next = Math.min(Math.floor(beat) + 1, chord ? chord[1] : Infinity);
    const [now, then] = [beat, next].map((each) => d.secondsInto(player.take, here.bar, each / drill.beats));
    return (then - now) / here.stretch.speed;
  };

  function nextChord(layout, player, here, now) {
    const other = (bar) => layout.bars[bar][4].find(([text]) => text !== now);
    const found = ahead(player, here, (bar) => !other(bar));
    return found.bar === null ? "" : other(found.bar)[0];
  }
})(window.drillgen);

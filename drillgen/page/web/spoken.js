/* A voice on request: which key comes, and whose turn it is.  Where its words stand is what `drillgen/score.py` and
   `drillgen/score.py` say, here by the tempo that is heard and the bars that are played. */
(function (d) {
  "use strict";
  const NORMAL = 0;
  const QUICK = 1;
  const MINOR = "minor";

  /** The words of a drill, once they can be heard; they are loaded when they are first asked for. */
  d.speech = async function (drill, tones) {
    const { words, quick, fast } = await d.load(drill.spoken.file);
    const rows = new Map();
    for (const [word, { lasts, tones: made }] of Object.entries(words)) {
      rows.set(word, { lasts: [lasts, lasts * quick], tones: made.map(([name, bytes, count, level]) => {
        d.bring({ [name]: bytes });
        return tones.add([name, count, level, 0, word]);
      }) });
    }
    await tones.ready([...rows.values()].flatMap((row) => row.tones));
    return { rows, fast };
  };

  /** Words in so many beats of so many seconds: how far before their end each begins, or from their start. */
  function fit(said, spoken, words, beat, room) {
    for (const pace of [NORMAL, QUICK]) {
      const needed = words.map((word) => said.rows.get(word).lasts[pace] / beat);
      const starts = words.map((_, index) => needed.slice(0, index).reduce((sum, each) => sum + Math.ceil(each), 0));
      const spare = Math.floor(room - spoken.behind - starts.at(-1) - needed.at(-1));
      if (spare >= 0) {
        return words.map((word, index) => ({
          word, tone: said.rows.get(word).tones[pace], early: starts[index] + spoken.behind, late: starts[index] + spare + spoken.behind,
        }));
      }
    }
    return null;
  }

  /** As much of a key and a turn as has room. */
  function asFits(said, spoken, key, turn, beat, room) {
    const tried = [[...key, ...turn], key, key.filter((word) => word !== MINOR)].filter((words) => words.length);
    for (const words of tried) {
      const found = fit(said, spoken, words, beat, room);
      if (found) return found;
    }
    return [];
  }

  /** The words that begin in a bar of a stretch: {bar, beat, tone}.  `kind`: keys, turns, keys and turns. */
  d.wordsIn = function (player, said, kind, layout, stretch, bar) {
    const { drill } = player.band;
    const own = { player, said, kind, layout, stretch, beats: drill.beats, spoken: drill.spoken };
    const found = bar < player.lead ? counted(own) : [bar, bar + 1].flatMap((end) => (end <= stretch.last ? before(own, end) : []));
    return found.filter((word) => word.bar === bar);
  };

  const beatOf = ({ player, stretch, beats }, bar) =>
    (player.take.starts[bar + 1] - player.take.starts[bar]) / beats / stretch.speed;

  /** What is said of a bar: its key and its turn, as far as they are asked for. */
  function about({ kind, layout, spoken }, bar, newKey, newTurn) {
    const [role, key] = layout.bars[bar];
    const turn = spoken.turns[role];
    return [
      newKey && kind.includes("keys") ? layout.keys[key].said : [],
      newTurn && turn && kind.includes("turns") ? [turn] : [],
    ];
  }

  /** The key as the count-in begins, the turn as it ends. */
  function counted(own) {
    const { player, said, spoken, stretch, beats } = own;
    const first = Math.max(stretch.bar, Math.min(spoken.from, player.lead - 1));
    const [key, turn] = about(own, player.target, true, true);
    const room = (player.lead - first) * beats;
    return asFits(said, spoken, key, turn, beatOf(own, player.lead - 1), room)
      .map(({ word, tone, early, late }) => placed(first, turn.includes(word) ? late : early, beats, tone));
  }

  /** What is said before the end of a bar of what comes after it. */
  function before(own, end) {
    const { player, said, spoken, layout, stretch, beats } = own;
    const after = end < stretch.last ? { bar: end + 1 } : player.following(stretch);
    if (!after || after.bar < player.lead) return [];
    const [role, key] = layout.bars[end];
    const [nextRole, nextKey] = layout.bars[after.bar];
    const [keyWords, turn] = about(own, after.bar, key !== nextKey, role !== nextRole);
    const beat = beatOf(own, end);
    const alike = end > stretch.bar && layout.bars[end - 1][0] === role && layout.bars[end - 1][1] === key;
    const half = beat < said.fast ? beats : Math.ceil(beats / 2);
    const room = keyWords.length ? (alike ? 2 : 1) * beats : half;
    return asFits(said, spoken, keyWords, turn, beat, room)
      .map(({ tone, late }) => placed(end + 1, late - room, beats, tone));
  }

  /** A place some beats after the start of a bar, or before it. */
  function placed(bar, beat, beats, tone) {
    const bars = Math.floor(beat / beats);
    return { bar: bar + bars, beat: beat - bars * beats, tone };
  }
})(window.drillgen);

/* What can be chosen in a drill, and what a choice needs. */
(function (d) {
  "use strict";

  /** The drill as one of its readers has it, by name: keys, chords and sheets as they are written for him. */
  d.readBy = function (data, name) {
    const reader = Math.max(0, data.readers.findIndex(([each]) => each === name));
    const layouts = data.layouts.map(({ bars, keys, read, ...same }) => {
      const { shown, chords, keys: seen } = read[reader];
      const written = (text, bar, index) => (chords ? chords[bar][index] : text);
      return {
        ...same,
        shown,
        bars: bars.map(([role, key, pass, form, own], bar) => [role, key, pass, form, own.map(([text, at], index) => [written(text, bar, index), at])]),
        keys: keys.map((key, index) => ({ seen: key.label, ...key, ...seen[index], first: key.first && { ...key.first, ...seen[index].first } })),
      };
    });
    const [called, , papers] = data.readers[reader];
    return { ...data, layouts, papers, reader: called, moved: Boolean(data.layouts[0].read[reader].chords) };
  };

  /** The first bar after the count-in. */
  d.leadOf = (layout) => layout.keys[0].from;

  /** The keys to choose from: all of a cycle in turn, or one, without the last chord's bars. */
  d.choices = function (drill) {
    const found = [];
    drill.layouts.forEach((layout, number) => {
      const several = layout.keys.length > 1;
      if (several) found.push({ label: "All keys in turn", seen: "All in turn", layout: number, from: d.leadOf(layout), to: layout.bars.length - 1 });
      layout.keys.forEach(({ label, seen, from, to, held }, index) =>
        found.push({ label, seen, layout: number, index, from, to: several ? held - 1 : to }));
    });
    return found;
  };

  /** The take that was planned nearest to a tempo; one whose tempo climbs is scaled as it is. */
  d.nearestTake = function (takes, now, tempo) {
    const climbs = (take) => take.to !== take.tempo;
    if (climbs(now)) return now;
    const apart = (take) => Math.abs(Math.log(tempo / take.tempo));
    return takes.filter((take) => !climbs(take)).reduce((best, each) => (apart(each) < apart(best) ? each : best));
  };

  /** Numbers of tones in the order in which they are needed from a bar on; of so many bars, or all. */
  d.tonesFrom = function (layout, read, bar, bars) {
    const lead = d.leadOf(layout);
    const all = [...read.bars.keys()];
    const order = [...all.slice(0, lead), ...all.slice(bar), ...all.slice(lead, bar)];
    const found = order.slice(0, bars).flatMap((number) => read.bars[number].map((stroke) => stroke.tone));
    const first = layout.keys.map((key) => (key.first ? key.first.tone : -1)).filter((tone) => tone >= 0);
    return bars ? found : [...found, ...first];
  };
})(window.drillgen);

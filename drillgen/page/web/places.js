/* Bars and their names: on the sheet, where one measure may show several passes, and in words. */
(function (d) {
  "use strict";

  d.places = function (layout, lead) {
    const { bars, shown, round } = layout;

    /** A loop's bars keep the numbers that they have in the whole track, each time. */
    const numberOf = (bar) => (round ? round[0] + ((bar - lead) % round[1]) : bar - lead + 1);

    /** The first and the last of the bars from one number to another; all of a loop: each time. */
    function between(from, to) {
      const first = round ? round[0] : 1;
      const all = round && from === first && to === first + round[1] - 1;
      return [from - first + lead, all ? bars.length - 1 : to - first + lead];
    }

    function whereIs(bar) {
      if (bar < lead) return "Count-in";
      const played = bars.length - lead;
      if (!round) return `Bar ${numberOf(bar)} of ${played}`;
      const times = played / round[1];
      const time = Math.floor((bar - lead) / round[1]) + 1;
      return `Bar ${numberOf(bar)}${times > 1 ? `, ${time} of ${times} times` : ""}`;
    }

    /** The id on the sheet of the measure that shows a bar; null where none does. */
    const idOf = (bar) => shown[bar] || null;

    /** The bar that a measure shows: of the present bar's pass, if it shows several. */
    function barOf(id, present) {
      const found = shown.flatMap((name, bar) => (name === id ? [bar] : []));
      const pass = bars[present] ? bars[present][2] : 0;
      return found.find((bar) => bars[bar][2] === pass) ?? found[0];
    }

    function nameOf(bar) {
      if (bar === undefined) return "Pick-up";
      const [role, , , , chords] = bars[bar];
      return `Bar ${numberOf(bar)}, ${chords.map(([text]) => text).join(", ")}, ${d.turnWord(role).toLowerCase()}`;
    }

    /** Whether the turn that answers a bar is over at the present one. */
    function answered(bar, present) {
      let end = bar;
      while (end < bars.length && !d.isYourTurn(bars[end][0])) end += 1;
      while (end < bars.length && d.isYourTurn(bars[end][0])) end += 1;
      return present >= end || (end === bars.length && present >= bar);
    }

    return { numberOf, between, whereIs, idOf, barOf, nameOf, answered };
  };
})(window.drillgen);

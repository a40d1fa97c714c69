/* Bars and their names: on the sheet, where one measure may show several passes, and in words. */
(function (d) {
  "use strict";

  d.places = function (layout, lead) {
    const { bars, shown } = layout;
    const numberOf = (bar) => bar - lead + 1;

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

    return { numberOf, idOf, barOf, nameOf, answered };
  };
})(window.drillgen);

/* A click on request: which beats of which bars. */
(function (d) {
  "use strict";
  const RUN = 2; // bars with a click, then as many without

  // By the name of a choice: whether a beat (from 0) of a bar (from 0, of the drill) is clicked.
  const CHOICES = {
    off: () => false,
    all: () => true,
    backbeats: (bar, beat) => beat % 2 === 1,
    ones: (bar, beat) => beat === 0,
    gaps: (bar) => Math.floor(bar / RUN) % 2 === 0,
  };

  d.clicks = (name, bar, beat) => (CHOICES[name] || CHOICES.off)(bar, beat);

  /** The strokes of a count-in that a click is made of: the first beat's and another's; null: none. */
  d.clickStrokes = function (read, lead) {
    const found = read.bars.slice(0, lead).flat().filter((stroke) => stroke.part === "click");
    return found.length ? [found[0], found[1] || found[0]] : null;
  };
})(window.drillgen);

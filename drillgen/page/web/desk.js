/* The players' desk: each part up, down, off. */
(function (d) {
  "use strict";
  const SOFTEST = -24;
  const LOUDEST = 6;
  const OFF = " (off)";

  /** Rows for the parts of a band; `kept`: what was set before, by part. */
  d.showParts = function (host, band, kept) {
    host.replaceChildren(...band.drill.parts.map((part) => row(part, band, kept)));
  };

  function row(part, band, kept) {
    const set = kept.get(part.name) || { on: true, decibels: 0 };
    kept.set(part.name, set);
    band.turn(part.name, set);
    const said = d.el("output", {});
    const change = (what) => {
      Object.assign(set, what);
      band.turn(part.name, set);
      show();
    };
    const on = d.el("input", { type: "checkbox", id: `on-${part.name}`, on: { change: () => change({ on: on.checked }) } });
    const level = d.el("input", {
      type: "range", min: SOFTEST, max: LOUDEST, step: 1, "aria-label": `${part.label}: louder or softer`,
      on: { input: () => change({ decibels: Number(level.value) }) },
    });
    const show = () => {
      on.checked = set.on;
      level.value = set.decibels;
      level.disabled = !set.on;
      const text = `${set.decibels > 0 ? "+" : set.decibels < 0 ? "−" : ""}${Math.abs(set.decibels)} dB`;
      level.setAttribute("aria-valuetext", text + (set.on ? "" : OFF));
      said.textContent = set.on ? text : "off";
    };
    show();
    return d.el("li", { class: "part" },
      d.el("label", { class: "switch", for: `on-${part.name}` }, on, d.el("span", {}, part.label)), level, said);
  }
})(window.drillgen);

/* All bars as a list of buttons: number, chords, and whose turn it is. */
(function (d) {
  "use strict";

  d.Bars = class {
    constructor(host, onpick) {
      this.host = host;
      host.addEventListener("click", (event) => {
        const button = event.target.closest("button");
        if (button) onpick(Number(button.dataset.bar));
      });
    }

    show(layout, lead, { numberOf, nameOf }) {
      this.marked = null;
      this.buttons = new Map();
      const groups = layout.keys.map((key, number) => {
        const list = d.el("ol", { class: "bars" });
        layout.bars.forEach((bar, index) => {
          if (bar[1] === number && index >= lead) list.append(this.item(index, bar, numberOf(index), nameOf(index)));
        });
        return d.el("section", {}, d.el("h3", {}, key.seen), list);
      });
      this.host.replaceChildren(...groups);
    }

    item(index, bar, number, name) {
      const button = d.el("button", { type: "button", "data-bar": index, "aria-label": name },
        d.el("span", { class: "number" }, String(number)),
        d.el("span", { class: "chords" }, bar[4].map(([text]) => text).join("  ")),
        d.el("span", { class: "role" }, d.turnWord(bar[0])));
      this.buttons.set(index, button);
      return d.el("li", {}, button);
    }

    mark(bar) {
      if (!this.buttons || this.marked === bar) return;
      const former = this.buttons.get(this.marked);
      if (former) former.removeAttribute("aria-current");
      this.marked = bar;
      const button = this.buttons.get(bar);
      if (button) button.setAttribute("aria-current", "true");
    }
  };
})(window.drillgen);

/* The sheet of one key: an engraved picture whose bars can be touched and are marked as they sound. */
(function (d) {
  "use strict";
  const ALLOWED = new Set(["svg", "g", "defs", "path", "rect", "use", "text", "tspan", "line", "polyline",
    "polygon", "ellipse", "circle", "title", "desc"]);

  const NAME = 250; // of a name's letters, where a staff is 720 high
  const UNDER = 125; // their line below a system's boxes, in which ink ends 60 above: 260 are free there

  d.Strip = class {
    /** `onpick(ids)` is told which bar was touched, by its id. */
    constructor(host, onpick) {
      this.host = host;
      this.onpick = onpick;
      this.pictures = new Map(); // by their SVG: read once, since browsers give elements back late
      host.addEventListener("click", (event) => this.pick(event.target));
      host.addEventListener("keydown", (event) => this.key(event));
    }

    /** Show a picture; `nameOf(id)` says what a bar is called. */
    show(svg, label, nameOf) {
      if (this.shown === svg) return;
      this.mark(null);
      this.shown = svg;
      this.named = null;
      if (svg && !this.pictures.has(svg)) this.pictures.set(svg, d.pictureOf(svg));
      const picture = this.pictures.get(svg);
      this.host.replaceChildren(...(picture ? [picture] : []));
      if (!picture) { this.bars = []; return; }
      picture.setAttribute("role", "group");
      picture.setAttribute("aria-label", label);
      this.bars = [...picture.querySelectorAll(".sheet-bar[id]")];
      this.bars.forEach((bar, index) => {
        bar.setAttribute("role", "button");
        bar.setAttribute("tabindex", index ? "-1" : "0");
        bar.setAttribute("aria-label", nameOf(bar.id));
      });
    }

    /** Another drill's pictures will be shown. */
    clear() {
      this.pictures.clear();
    }

    /** Write names under a system, each below its note: an object of names by the notes' ids; none: take away. */
    name(names) {
      if (this.named === (names || false)) return;
      this.named = names || false;
      this.host.querySelectorAll(".sheet-written").forEach((each) => each.remove());
      for (const [id, name] of Object.entries(names || {})) {
        const note = this.host.querySelector(`#${CSS.escape(id)}.sheet-note`);
        const head = note && note.querySelector(".sheet-head");
        const box = note && note.closest(".sheet-bar").querySelector(".sheet-box");
        if (head) note.append(written(name, head.getBBox(), box.getBBox()));
      }
    }

    /** Whether anything stands under the notes: degrees, fingerings. */
    hasRows() {
      return Boolean(this.host.querySelector(".sheet-row"));
    }

    bar(id) {
      return this.bars ? this.bars.find((bar) => bar.id === id) : undefined;
    }

    /** Mark a bar (null: none). */
    mark(id) {
      if (this.marked === id) return;
      const former = this.bar(this.marked);
      if (former) { former.classList.remove("now"); former.removeAttribute("aria-current"); }
      this.marked = id;
      const bar = this.bar(id);
      if (!bar) return;
      bar.classList.add("now");
      bar.setAttribute("aria-current", "true");
    }

    /** Bars for which `test(id)` holds get a class, the others lose it. */
    dress(name, test) {
      (this.bars || []).forEach((bar) => bar.classList.toggle(name, test(bar.id)));
    }

    pick(target) {
      const bar = target.closest && target.closest(".sheet-bar[id]");
      if (bar) { this.step(bar); this.onpick(bar.id); }
    }

    /** One stop of the tab key for the whole sheet; arrows go from bar to bar. */
    key(event) {
      const at = this.bars ? this.bars.indexOf(document.activeElement) : -1;
      if (at < 0) return;
      const moves = { ArrowRight: at + 1, ArrowLeft: at - 1, Home: 0, End: this.bars.length - 1 };
      if (event.key === "Enter" || event.key === " ") this.pick(this.bars[at]);
      else if (event.key in moves && this.bars[moves[event.key]]) this.step(this.bars[moves[event.key]], true);
      else return;
      event.preventDefault();
      event.stopPropagation();
    }

    step(bar, focus) {
      this.bars.forEach((each) => each.setAttribute("tabindex", each === bar ? "0" : "-1"));
      if (focus) bar.focus();
    }
  };

  function written(name, head, box) {
    const text = document.createElementNS("http://www.w3.org/2000/svg", "text");
    const place = { class: "sheet-written", x: head.x + head.width / 2, y: box.y + box.height + UNDER, "font-size": NAME };
    Object.entries(place).forEach(([attribute, value]) => text.setAttribute(attribute, value));
    text.textContent = name;
    return text;
  }

  /** Only shapes and text come through: no styles, no scripts, nothing from elsewhere. */
  d.pictureOf = function (svg) {
    const parsed = new DOMParser().parseFromString(svg, "image/svg+xml");
    for (const element of [...parsed.documentElement.querySelectorAll("*"), parsed.documentElement]) {
      if (!ALLOWED.has(element.localName)) { element.remove(); continue; }
      for (const { name, value } of [...element.attributes]) {
        const foreign = /href$/.test(name) && !value.startsWith("#");
        if (foreign || name === "style" || name.startsWith("on")) element.removeAttribute(name);
      }
    }
    return document.importNode(parsed.documentElement, true);
  };
})(window.drillgen);

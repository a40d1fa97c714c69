/* Keeping the bar that sounds in sight, as long as nobody looks elsewhere. */
(function (d) {
  "use strict";
  const SMOOTH = 1000; // ms that a smooth scroll of ours may take
  const AT_ONCE = 250; // ms in which the browser tells of what has moved at once
  const AWAY = 8; // pixels between a bar and what lies over the page

  d.Sight = class {
    /** `back`: the button that leads back to the music. */
    constructor(back) {
      this.back = back;
      this.following = true;
      this.active = false; // whether anything plays
      this.own = 0; // until then a scroll is taken for ours
      back.addEventListener("click", () => { this.follow(); if (this.bar) this.move("smooth"); });
      const taken = (event) => { if (this.active && !this.held && event.deltaY !== 0) this.leave(); };
      ["wheel", "touchmove"].forEach((event) => addEventListener(event, taken, { passive: true }));
      addEventListener("resize", () => this.expect());
      addEventListener("scroll", () => { if (this.active && performance.now() > this.own) this.leave(); }, { passive: true });
      addEventListener("pointerdown", (event) => { this.held = Boolean(event.target.closest("input, select")); });
      ["pointerup", "pointercancel"].forEach((event) => addEventListener(event, () => { this.held = false; }));
    }

    /** What moves by itself within some ms is not the reader's doing. */
    expect(ms = AT_ONCE) {
      this.own = Math.max(this.own, performance.now() + ms);
    }

    play(on) {
      this.active = on;
      this.expect(); // what folds away or comes back moves the page
      this.follow();
    }

    follow() {
      this.following = true;
      this.back.hidden = true;
    }

    leave() {
      // A smooth scroll of ours would go on under the reader's hand.
      if (performance.now() < this.own) window.scrollTo({ top: scrollY, behavior: "instant" });
      this.following = false;
      this.back.hidden = false;
    }

    /** A bar sounds, `next` after it; both are brought into sight where that is wanted. */
    keep(bar, next, behavior) {
      this.bar = bar;
      this.next = next;
      const busy = this.held || (document.activeElement && document.activeElement.matches("select, input[type=number]"));
      if (bar && !(this.active && (busy || !this.following))) this.move(behavior);
    }

    /** Scroll only where a bar would be hidden: by the words above, by the desk below, or outside. */
    move(behavior) {
      const turn = d.byId("turn");
      const sticks = getComputedStyle(turn).position === "sticky";
      const top = AWAY + (sticks ? turn.offsetHeight + parseFloat(getComputedStyle(turn).top) : 0);
      const bottom = d.byId("desk").getBoundingClientRect().top - AWAY;
      const box = this.bar.getBoundingClientRect();
      const after = this.next ? this.next.getBoundingClientRect().bottom : box.bottom;
      const end = after - box.top > bottom - top ? box.bottom : Math.max(after, box.bottom);
      if (box.top >= top && end <= bottom) return;
      this.expect(behavior === "smooth" ? SMOOTH : AT_ONCE);
      window.scrollBy({ top: box.top - top, behavior });
    }
  };
})(window.drillgen);

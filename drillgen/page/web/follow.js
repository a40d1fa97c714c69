/* Only on the page of `drillgen play`: loads it again when the drill's file has changed, and shows what
   is wrong in it.  Its server says both, in a script that is asked for again and again. */
(function (d) {
  "use strict";
  const EVERY = 500; // ms
  const ENDED = "drillgen play has ended: this page follows no file any more.";
  const AWAY = 16; // pixels between the desk and what is brought into sight above it
  const desk = d.byId("desk");
  // In the desk, which is always in sight; what is long is scrolled, by the arrow keys too.
  const said = d.el("pre", { class: "problem", role: "alert", id: "following", tabindex: 0, hidden: true });
  Object.assign(said.style, { whiteSpace: "pre-wrap", fontFamily: "monospace", // carets stand under what they mean
    flex: "1 0 100%", maxHeight: "30vh", overflow: "auto", margin: 0 });
  desk.prepend(said);
  let shown = d.byId("follow").dataset.page; // number of the page that stands here, or is on its way

  function say(text) {
    if (said.textContent === text) return;
    said.textContent = text;
    said.hidden = !text;
    desk.style.flexWrap = text ? "wrap" : "";
    const under = text ? `${desk.offsetHeight + AWAY}px` : "";
    document.documentElement.style.scrollPaddingBottom = document.querySelector("main").style.paddingBottom = under;
  }

  d.follow = function (number, wrong) {
    if (shown !== number) location.reload(); // once: another would begin from the start
    shown = number;
    say(wrong);
  };

  function ask() {
    const script = d.el("script", { src: `following.js?${Date.now()}` });
    script.addEventListener("load", () => { script.remove(); setTimeout(ask, EVERY); });
    script.addEventListener("error", () => { script.remove(); say(ENDED); });
    document.head.append(script);
  }

  ask();
})(window.drillgen);

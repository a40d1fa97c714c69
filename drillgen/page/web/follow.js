/* Only on the page of `drillgen play`: loads it again when the drill's file has changed, and shows what
   is wrong in it.  Its server says both, in a script that is asked for again and again. */
(function (d) {
  "use strict";
  const EVERY = 500; // ms
  const ENDED = "drillgen play has ended: this page follows no file any more.";
  const said = d.el("pre", { class: "problem", role: "alert", id: "following", hidden: true });
  Object.assign(said.style, { whiteSpace: "pre-wrap", fontFamily: "monospace" });  // carets stand under what they mean
  d.byId("problem").before(said);
  let shown = null; // number of the page that stands here

  function say(text) {
    if (said.textContent !== text) said.textContent = text;
    said.hidden = !text;
  }

  d.follow = function (number, wrong) {
    if (shown !== null && shown !== number) location.reload();
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

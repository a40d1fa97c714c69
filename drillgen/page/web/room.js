/* The room view: the whole screen for whose turn it is, the chord and the sheet. */
(function (d) {
  "use strict";

  /** `onchange` is called when the view has been entered or left. */
  d.room = function (onchange) {
    const body = document.body;
    const set = (on) => {
      if (body.classList.contains("room") === on) return;
      body.classList.toggle("room", on);
      d.byId("leave").hidden = !on;
      onchange();
    };
    // An iPhone gives no page the whole screen: there the view fills what the browser leaves.
    const whole = (act) => Promise.resolve(act && act()).catch(() => {});
    d.byId("for-room").addEventListener("click", () => {
      set(true);
      whole(document.documentElement.requestFullscreen && (() => document.documentElement.requestFullscreen()));
      d.byId("play").focus();
    });
    d.byId("leave").addEventListener("click", () => {
      set(false);
      whole(document.fullscreenElement && (() => document.exitFullscreen()));
      d.byId("for-room").focus();
    });
    document.addEventListener("fullscreenchange", () => { if (!document.fullscreenElement) set(false); });
    document.addEventListener("keydown", (event) => { if (event.key === "Escape") set(false); });
  };
})(window.drillgen);

/* Choosing several bars by dragging over them: at once with a mouse or pen, on a touch screen after
   a moment's rest, since a finger that moves at once scrolls. */
(function (d) {
  "use strict";
  const REST = 450; // ms
  const BAR = ".sheet-bar[id]";

  /** `onpick(from, to, done)`: the bars' elements, while the hand moves and when it is lifted. */
  d.dragging = function (host, onpick) {
    let from = null;
    let to = null;
    let armed = false;
    let rest = 0;
    const barAt = (event) => {
      const found = document.elementFromPoint(event.clientX, event.clientY);
      return found && host.contains(found) ? found.closest(BAR) : null;
    };
    const end = (event) => {
      clearTimeout(rest);
      const picked = armed && to && (to !== from || event.pointerType === "touch");
      if (picked && event.type === "pointerup") {
        onpick(from, to, true);
        host.addEventListener("click", swallow, { capture: true, once: true });
        setTimeout(() => host.removeEventListener("click", swallow, { capture: true }), 50);
      } else if (from) onpick(null, null, false);
      from = to = null;
      armed = false;
    };
    const swallow = (event) => event.stopPropagation();
    host.addEventListener("pointerdown", (event) => {
      from = event.button === 0 ? barAt(event) : null;
      to = from;
      armed = Boolean(from) && event.pointerType !== "touch";
      if (from && !armed) rest = setTimeout(() => { armed = true; onpick(from, from, false); }, REST);
    });
    addEventListener("pointermove", (event) => {
      if (!from) return;
      if (!armed) { if (event.pointerType !== "touch" || barAt(event) !== from) clearTimeout(rest); return; }
      to = barAt(event) || to;
      if (to !== from || event.pointerType === "touch") onpick(from, to, false);
    });
    host.addEventListener("touchmove", (event) => { if (armed) event.preventDefault(); }, { passive: false });
    host.addEventListener("contextmenu", (event) => { if (armed) event.preventDefault(); });
    ["pointerup", "pointercancel"].forEach((name) => addEventListener(name, end));
  };
})(window.drillgen);

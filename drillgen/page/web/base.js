/* What everything else uses: making elements, and words for what the numbers mean. */
(function (d) {
  "use strict";

  /** An element with attributes and children; texts are set as text, never as markup. */
  d.el = function (tag, attributes, ...children) {
    const element = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes || {})) {
      if (name === "on") Object.entries(value).forEach(([event, act]) => element.addEventListener(event, act));
      else if (value === true) element.setAttribute(name, "");
      else if (value !== false && value !== null && value !== undefined) element.setAttribute(name, value);
    }
    element.append(...children);
    return element;
  };

  d.byId = (id) => document.getElementById(id);

  /** A text that is set only where it changes, so that nothing is announced or drawn for nothing. */
  d.setText = function (id, text) {
    const element = d.byId(id);
    if (element.textContent !== text) element.textContent = text;
  };

  /** "1 beat", "3 beats". */
  d.count = (number, one) => `${number} ${one}${number === 1 ? "" : "s"}`;

  /** Keep a phone's screen on while it plays, where that is possible: a courtesy only. */
  let awake = null;
  d.keepAwake = async function (on) {
    if (!navigator.wakeLock || document.hidden) return;
    try {
      if (on) awake = await navigator.wakeLock.request("screen");
      else if (awake) await awake.release();
    } catch {
      awake = null;
    }
  };

  d.clamp = (value, least, most) => Math.min(Math.max(value, least), most);

  d.gainOf = (decibels) => Math.pow(10, decibels / 20);

  /** The sound was woken or taken away by the browser or the system. */
  d.onstate = () => {};

  d.SLOWEST = 30;
  d.FASTEST = 360;
})((window.drillgen = window.drillgen || {}));

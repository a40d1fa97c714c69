/* What was heard, kept in this browser alone: rounds by drill and key, and the way there and back. */
(function (d) {
  "use strict";
  const NAME = `drillgen answers ${location.pathname}`;
  const FORMAT = 1;
  const MOST = 60; // rounds that are kept of a key
  let own = null; // where a browser keeps nothing, it lasts as long as the page

  function all() {
    if (own) return own;
    try {
      own = JSON.parse(localStorage.getItem(NAME));
    } catch {
      own = null;
    }
    if (!own || own.format !== FORMAT || typeof own.drills !== "object") own = { format: FORMAT, drills: {} };
    return own;
  }

  function write() {
    try {
      localStorage.setItem(NAME, JSON.stringify(own));
    } catch {
      return;
    }
  }

  d.results = {
    /** Rounds of a key, the oldest first: {at, tempo, right, asked}. */
    rounds: (drill, key) => (all().drills[drill] || {})[key] || [],

    add(drill, key, round) {
      const keys = (all().drills[drill] = all().drills[drill] || {});
      keys[key] = [...(keys[key] || []), round].slice(-MOST);
      write();
    },

    any: () => Object.keys(all().drills).length > 0,

    /** Seconds from the page to the ear's page by this device; null where it was not measured. */
    delay: () => (Number.isFinite(all().delay) ? all().delay : null),

    keepDelay(seconds) {
      all().delay = Math.round(seconds * 1e5) / 1e5;
      write();
    },

    /** All of it, for a file. */
    text: (program) => `${JSON.stringify({ program, ...all() }, null, 2)}\n`,

    /** Rounds go; the device's delay stays what it is. */
    clear() {
      own = { format: FORMAT, drills: {}, ...(Number.isFinite(all().delay) ? { delay: own.delay } : {}) };
      write();
    },
  };
})(window.drillgen);

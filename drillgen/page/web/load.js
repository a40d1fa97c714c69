/* Values by name: from blocks of data in the document, else from scripts beside it.
   A script calls `drillgen.take(name, value)`; from disk nothing else can be loaded. */
(function (d) {
  "use strict";
  const waiting = new Map(); // name to {promise, resolve}

  d.take = function (name, value) {
    const waits = waiting.get(name);
    if (waits) waits.resolve(value);
  };

  d.load = function (name) {
    if (!waiting.has(name)) {
      const waits = {};
      waits.promise = new Promise((resolve, reject) => Object.assign(waits, { resolve, reject }));
      waiting.set(name, waits);
      fetchValue(name, waits);
    }
    return waiting.get(name).promise;
  };

  /** Values that came with another one; what was asked for meanwhile is answered, too. */
  d.bring = function (values) {
    for (const [name, value] of Object.entries(values)) {
      if (waiting.has(name)) d.take(name, value);
      else waiting.set(name, { promise: Promise.resolve(value), resolve: () => {} });
    }
  };

  /** Let go of a value that will not be needed soon; it can be loaded again. */
  d.forget = (name) => waiting.delete(name);

  function fetchValue(name, waits) {
    const block = document.getElementById(name);
    if (block) {
      waits.resolve(JSON.parse(block.textContent));
      return;
    }
    const script = document.createElement("script");
    script.src = `page/${name}.js`;
    script.addEventListener("load", () => script.remove());
    script.addEventListener("error", () => {
      script.remove();
      waiting.delete(name);
      waits.reject(new Error(`page/${name}.js could not be read`));
    });
    document.head.append(script);
  }
})(window.drillgen);

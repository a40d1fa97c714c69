/* The way from the page to the loudspeaker, through the air and back by the microphone: chirps that
   rise over three octaves are found again to a sample (a matched filter, common practice in radar). */
(function (ear) {
  "use strict";
  const CHIRP = { count: 5, seconds: 0.08, every: 0.35, from: 400, to: 4000 };
  const LONGEST = 0.6; // seconds there and back
  const CLEAR = 6; // how far the peak must stand above the rest
  const AGREE = 0.003; // seconds between the chirps

  /** One chirp, its ends rounded off. */
  ear.chirp = function (rate) {
    const { seconds, from, to } = CHIRP;
    const sweep = Math.log(to / from);
    return Float32Array.from({ length: Math.round(seconds * rate) }, (_, at) => {
      const share = at / (seconds * rate);
      const phase = ((2 * Math.PI * from * seconds) / sweep) * (Math.exp(share * sweep) - 1);
      return Math.sin(phase) * Math.sin(Math.PI * share) ** 0.5;
    });
  };

  /** Seconds there and back; null where too few chirps were heard.  `begun`: the sample of each chirp's start. */
  ear.delayOf = function (samples, rate, begun) {
    const chirp = ear.chirp(rate);
    const found = begun.map((at) => lagOf(samples, chirp, Math.round(at), Math.round(LONGEST * rate))).filter((lag) => lag !== null);
    if (found.length < 3) return null;
    const middle = ear.median(found);
    const near = found.filter((lag) => Math.abs(lag - middle) < AGREE * rate);
    return near.length < 3 ? null : near.reduce((sum, lag) => sum + lag, 0) / near.length / rate;
  };

  function lagOf(samples, chirp, from, longest) {
    let size = 1;
    while (size < longest + 2 * chirp.length) size *= 2;
    const { one, other, alike } = ear.correlator(size);
    one.set(chirp);
    for (let k = 0; k < longest + chirp.length; k += 1) other[k] = samples[from + k] || 0;
    const products = alike();
    let best = 0;
    let sum = 0;
    for (let lag = 0; lag < longest; lag += 1) {
      sum += Math.abs(products[lag]);
      if (products[lag] > products[best]) best = lag;
    }
    return products[best] > (CLEAR * sum) / longest ? best : null;
  }

  ear.CHIRP = CHIRP;
})(self.ear);

/* What next: a key and a tempo, by the rules that the tables state. */
(function (d) {
  "use strict";
  const share = ({ right, asked }) => (asked ? right / asked : 0);

  /** How a key stands: {tried, solid, best, share, tempo}; `best`: the fastest clean tempo, else null. */
  d.standing = function (rounds, rules) {
    const clean = rounds.filter((round) => share(round) >= rules.clean_share);
    const last = rounds.slice(-rules.clean_rounds);
    return {
      tried: rounds.length > 0,
      solid: last.length === rules.clean_rounds && last.every((round) => share(round) >= rules.clean_share && round.tempo === last[0].tempo),
      clean: rounds.length > 0 && share(rounds.at(-1)) >= rules.clean_share,
      best: clean.length ? Math.max(...clean.map(({ tempo }) => tempo)) : null,
      share: rounds.length ? share(rounds.at(-1)) : 0,
      tempo: rounds.length ? rounds.at(-1).tempo : null,
    };
  };

  /** {key, tempo, why} of the next round; null before the first.  `keys`: [label, standing] in the cycle's order. */
  d.advice = function (keys, here, rules) {
    const tried = keys.filter(([, standing]) => standing.tried);
    if (!tried.length) return null;
    const weak = tried.filter(([, standing]) => !standing.clean).sort(([, one], [, other]) => one.share - other.share);
    if (weak.length) return again(...weak[0], rules);
    const nearly = tried.filter(([, standing]) => !standing.solid);
    if (nearly.length) {
      const [key, { tempo }] = nearly.find(([label]) => label === here) || nearly[0];
      return { key, tempo, why: "clean once: the same once more" };
    }
    const [key, { tempo }] = tried.find(([label]) => label === here) || tried.reduce((least, each) => (each[1].tempo < least[1].tempo ? each : least));
    return { key, tempo: faster(tempo, rules), why: `clean ${rules.clean_rounds} times: ${Math.round(100 * rules.faster)} % faster` };
  };

  function again(key, { tempo, share: was }, rules) {
    if (was >= rules.slower_below) return { key, tempo, why: "not clean yet: the same once more" };
    return { key, tempo: Math.max(Math.round(tempo * (1 - rules.slower)), d.SLOWEST), why: `many notes were missing: ${Math.round(100 * rules.slower)} % slower` };
  }

  const faster = (tempo, rules) => Math.min(Math.max(Math.round(tempo * (1 + rules.faster)), tempo + 1), d.FASTEST);
})(window.drillgen);

/* The player: which bars sound, from where, how fast, and what is sounding now.
   It plans one stretch after another, each a run of bars at one speed, and hands the band a bar at
   a time, some seconds ahead: a page in the background is woken once a second only. */
(function (d) {
  "use strict";
  const AHEAD = 3; // seconds
  const WAKE = 400; // ms
  const START = 0.06; // seconds from a touch to the first sound
  const SETTLED = 0.5; // seconds of sound after which a browser knows its latency
  // Firefox on Linux can lock up whenever it is asked, a thread of the page and one of PulseAudio's
  // waiting for each other for ever.  It would remember a single answer: mostly 0.02 to 0.05 seconds.
  const LOCKS = /X11.* Firefox/.test(navigator.userAgent);
  const USUAL = 0.035; // seconds
  const PATIENCE = 6000; // ms that a browser may take to wake the sound
  const LATE = 0.05; // seconds: what should have begun longer ago is not heard any more
  const HOLD = 0.6; // seconds before its end at which a count-in may still go on for a bar
  const MOST_LATENCY = 1; // seconds from being made to the ear; a clock that says more is not believed
  const FIELDS = 5; // numbers a stroke

  /** A take's numbers unrolled: bar starts in seconds, strokes by bar. */
  d.readTake = function (take, rate) {
    const starts = running(take.bars).map((sample) => sample / rate);
    const bars = starts.slice(0, -1).map(() => []);
    for (const [part, flat] of Object.entries(take.strokes)) {
      let start = 0;
      let bar = 0;
      for (let at = 0; at < flat.length; at += FIELDS) {
        start += flat[at];
        bar += flat[at + 4];
        bars[bar].push({ part, start: start / rate, hold: flat[at + 1] / rate, tone: flat[at + 2], decibels: flat[at + 3] / 10 });
      }
    }
    bars.forEach((strokes) => strokes.sort((one, other) => one.start - other.start));
    const slowing = Object.fromEntries(take.slowing.map(([bar, ...beats]) => [bar, running(beats).map((sample) => sample / rate)]));
    return { starts, bars, slowing, tempos: take.tempos, end: take.end / rate, asked: take.asked.map(inSeconds) };
  };

  /** Where the beats of a bar begin, and its end, in seconds from its start: two are enough where they are even. */
  const beatsOf = ({ starts, slowing }, bar) => slowing[bar] || [0, starts[bar + 1] - starts[bar]];

  /** Seconds from a bar's start to a share of its beats … */
  d.secondsInto = function (take, bar, share) {
    const beats = beatsOf(take, bar);
    const index = Math.min(Math.floor(share * (beats.length - 1)), beats.length - 2);
    return beats[index] + (share * (beats.length - 1) - index) * (beats[index + 1] - beats[index]);
  };

  /** … and the other way round. */
  d.shareOf = function (take, bar, seconds) {
    const beats = beatsOf(take, bar);
    const index = Math.max(beats.slice(0, -1).findLastIndex((at) => at <= seconds), 0);
    return d.clamp((index + (seconds - beats[index]) / (beats[index + 1] - beats[index])) / (beats.length - 1), 0, 1);
  };

  /** A response that is asked for: milliseconds to seconds. */
  function inSeconds({ bars, start, end, notes }) {
    return { bars, start: start / 1000, end: end / 1000, notes: notes.map(([from, to, key, name]) => [from / 1000, to / 1000, key, name]) };
  }

  /** The time at the ear by the audio system's own clock; null where there is none to be believed. */
  function stamped(context) {
    const stamp = context.getOutputTimestamp ? context.getOutputTimestamp() : null;
    if (!stamp || !(stamp.performanceTime > 0)) return null;
    const passed = (performance.now() - stamp.performanceTime) / 1000;
    const heard = stamp.contextTime + passed;
    const apart = context.currentTime - heard;
    return passed >= 0 && passed < 1 && apart > -LATE && apart < MOST_LATENCY ? heard : null;
  }

  function running(steps) {
    let sum = 0;
    return steps.map((step) => (sum += step));
  }

  d.Player = class {
    constructor(band) {
      this.band = band;
      this.stretches = [];
      this.playing = false;
      this.speed = 1; // against the take's own tempo
      this.first = 0; // the bars that are played, both included
      this.last = 0;
      this.repeat = true;
      this.countIn = true;
      this.countRounds = false; // a bar of the count-in before each round
      this.click = "off"; // beats on which a click is heard (`click.js`)
      this.say = () => []; // the words that begin in a bar of a stretch: {bar, beat, tone} (`spoken.js`)
      this.climb = null; // {to, by, every}: tempo that goes on by a step every so many rounds
      this.slow = null; // share of the tempo at which every other repeated round is played, the first too
      this.slowly = false; // whether the round that is planned last is such a one
      this.tempo = 0; // the take's own
      this.lead = 0; // bars of the count-in
      this.target = 0; // the bar that a count-in leads to
      this.ready = () => true; // whether what a count-in leads to can be heard yet
      this.cueOf = () => null; // the tone of the starting note before a bar, where it is not the first key's
      this.onend = () => {};
    }

    /** Another tempo's take of the same bars, or another drill's: what plays goes on in the same bar. */
    use(take, speed) {
      const here = this.playing ? this.now() : null;
      this.take = take;
      this.speed = speed;
      if (here) this.resume(here);
    }

    /** Seconds of the context at which the ear hears what is being made now. */
    heard() {
      const context = d.context;
      if (LOCKS) return context.currentTime - USUAL;
      if (context.currentTime < SETTLED) return context.currentTime;
      const latency = d.clamp(context.outputLatency || context.baseLatency || 0, 0, MOST_LATENCY);
      return stamped(context) ?? context.currentTime - latency;
    }

    /** Play from a bar on, after so many bars of the count-in at most. */
    play(bar, counted = Infinity) {
      const context = this.band.open();
      this.band.silence();
      const start = context.currentTime + START;
      this.stretches = [];
      this.target = bar;
      this.rounds = 0;
      this.slowly = true;
      const bars = this.countIn && bar >= this.lead ? Math.min(counted, this.lead) : 0;
      if (bars > 0) this.plan(start, this.lead - bars, 0, this.lead - 1, this.paceOf(bar));
      else this.plan(start, bar, 0, this.lastFrom(bar), this.pace());
      this.begin();
    }

    begin() {
      this.playing = true;
      this.sounded = d.context.currentTime;
      this.begun = performance.now();
      clearInterval(this.timer);
      this.timer = setInterval(() => this.work(), WAKE);
      this.work();
    }

    stop() {
      this.playing = false;
      clearInterval(this.timer);
      this.band.silence();
      this.stretches = [];
    }

    /** Whether no sound comes: Firefox waits for ever where there is no loudspeaker to play on. */
    stuck() {
      return d.context.state !== "running" && performance.now() - this.begun > PATIENCE;
    }

    /** Whether the system has taken the sound away: a call, another program. */
    interrupted() {
      return d.context.state !== "running" && d.context.currentTime > this.sounded;
    }

    /** Bars to play from one bar on: to the end of the chosen ones, or just this one outside them. */
    lastFrom(bar) {
      return bar >= this.first && bar <= this.last ? this.last : bar;
    }

    /** The speed of the round that is planned last. */
    pace() {
      return this.slow && this.slowly && this.repeat ? this.speed * this.slow : this.speed;
    }

    /** The count-in is as fast as the bar that it leads to (a climbing tempo). */
    paceOf(bar) {
      const tempos = this.take.tempos;
      return tempos.length ? (this.pace() * tempos[bar]) / tempos[0] : this.pace();
    }

    /** A stretch of bars; `into`: seconds (as planned) of the first that are past already. */
    plan(start, bar, into, last, speed) {
      const from = this.take.starts[bar] + into;
      const end = start + (this.take.starts[last + 1] - from) / speed;
      this.stretches.push({ start, end, from, bar, last, speed, slowly: this.slowly, next: bar });
    }

    /** Hand the band all bars that begin within `AHEAD`. */
    work() {
      const until = d.context.currentTime + AHEAD;
      for (let stretch = this.stretches.at(-1); ; stretch = this.stretches.at(-1)) {
        this.stretches.forEach((each) => this.strikeBars(each, until));
        if (stretch.end > (this.holds(stretch) ? until - AHEAD + HOLD : until) || !this.follow(stretch)) break;
      }
      const past = this.heard() - 1;
      while (this.stretches.length > 1 && this.stretches[0].end < past) this.stretches.shift();
      const last = this.stretches.at(-1);
      if (last.done && this.heard() > last.over) { this.stop(); this.onend(); }
    }

    /** Whether a stretch is a count-in to what has not been loaded yet. */
    holds(stretch) {
      return stretch.last < this.lead && !this.ready(this.target);
    }

    /** The bars that come after a stretch, where nothing is planned yet; null at the end. */
    following(stretch) {
      if (stretch.last < this.lead) return { bar: this.target, last: this.lastFrom(this.target) };
      if (!this.repeat && stretch.last >= this.last) return null;
      if (this.countRounds && this.lead > 0) return { bar: this.lead - 1, last: this.lead - 1 };
      return { bar: this.first, last: this.last };
    }

    /** What comes after the last stretch; false where that is the end. */
    follow(stretch) {
      if (stretch.done) return false;
      const next = this.following(stretch);
      if (!next) {
        stretch.done = true;
        const ring = stretch.last === this.take.bars.length - 1 ? this.take.end - this.take.starts.at(-1) : 0.5;
        stretch.over = stretch.end + ring;
        return false;
      }
      if (this.holds(stretch)) this.plan(stretch.end, this.lead - 1, 0, this.lead - 1, stretch.speed);
      else {
        if (stretch.last >= this.lead) this.round();
        const counted = next.last < this.lead;
        if (counted) this.target = this.first;
        this.plan(stretch.end, next.bar, 0, next.last, counted ? this.paceOf(this.first) : this.pace());
      }
      return true;
    }

    /** A round is planned to its end: the next may be faster, or slower. */
    round() {
      this.rounds += 1;
      this.slowly = !this.slowly;
      if (!this.climb || this.rounds % this.climb.every) return;
      const now = this.speed * this.tempo;
      const { to, by } = this.climb;
      this.speed = (now < to ? Math.min(now + by, to) : Math.max(now - by, to)) / this.tempo;
    }

    strikeBars(stretch, until) {
      const { starts, bars } = this.take;
      const timeOf = (seconds) => stretch.start + (seconds - stretch.from) / stretch.speed;
      while (stretch.next <= stretch.last && timeOf(starts[stretch.next]) < until) {
        for (const stroke of bars[stretch.next]) {
          const past = stretch.next === stretch.bar && stretch.from > starts[stretch.bar] && stroke.start < stretch.from;
          if (!past) this.strike(stroke, timeOf(stroke.start), stretch.speed);
        }
        if (stretch.next >= this.lead) this.strikeClicks(stretch, timeOf);
        this.speak(stretch, timeOf);
        stretch.next += 1;
      }
    }

    strikeClicks(stretch, timeOf) {
      const strokes = d.clickStrokes(this.take, this.lead);
      const { starts } = this.take;
      const bar = stretch.next;
      const { beats } = this.band.drill;
      for (let beat = 0; strokes && beat < beats; beat += 1) {
        const at = starts[bar] + d.secondsInto(this.take, bar, beat / beats);
        const wanted = at >= stretch.from - 1e-6 && d.clicks(this.click, bar - this.lead, beat);
        if (wanted) this.strike(strokes[beat ? 1 : 0], timeOf(at), stretch.speed);
      }
    }

    speak(stretch, timeOf) {
      const { beats } = this.band.drill;
      for (const { bar, beat, tone } of this.say(stretch, stretch.next)) {
        const at = this.take.starts[bar] + d.secondsInto(this.take, bar, beat / beats);
        const begun = at < stretch.from - 1e-6;
        const [when, now] = [timeOf(at), d.context.currentTime];
        if (!begun && when >= now - LATE) this.band.speak(tone, Math.max(when, now));
      }
    }

    /** Strike a note at its time; after a stalled page what is late is left out: all of it would
        sound at once. */
    strike({ part, tone, hold, decibels }, when, speed) {
      const now = d.context.currentTime;
      if (when < now - LATE) return;
      const cue = part === "cue" ? this.cueOf(this.target) : null;
      this.band.strike(part, cue ?? tone, Math.max(when, now), hold / speed, cue === null ? decibels : 0);
    }

    /** Where the music is: bar, share of its beats (as planned), and its stretch. */
    now(time) {
      const at = time === undefined ? this.heard() : time;
      const stretch = this.stretches.findLast((each) => each.start <= at) || this.stretches[0];
      const seconds = stretch.from + Math.max(at - stretch.start, 0) * stretch.speed;
      let bar = stretch.bar;
      while (bar < stretch.last && this.take.starts[bar + 1] <= seconds + 1e-6) bar += 1;
      return { bar, share: d.shareOf(this.take, bar, seconds - this.take.starts[bar]), stretch, at };
    }

    /** Something changed: what is planned from now on is planned anew, from the same place. */
    replan() {
      if (this.playing) this.resume(this.now(d.context.currentTime + START));
    }

    resume(here) {
      const context = d.context;
      const start = context.currentTime + START;
      const counting = here.stretch.last < this.lead;
      this.band.cancel(start);
      this.stretches = this.stretches.filter((each) => each.start < start);
      this.stretches.forEach((each) => { each.end = Math.min(each.end, start); each.next = Infinity; });
      const into = d.secondsInto(this.take, here.bar, here.share);
      this.slowly = here.stretch.slowly;
      const speed = counting ? this.paceOf(this.target) : this.pace();
      this.plan(start, here.bar, into, counting ? this.lead - 1 : this.lastFrom(here.bar), speed);
      this.work();
    }
  };
})(window.drillgen);

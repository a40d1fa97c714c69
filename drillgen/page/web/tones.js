/* Tones: the note copies of the present drill as AudioBuffers.  What is heard first is decoded ahead of
   the first touch, the rest when music begins: a page that is only looked at need not. */
(function (d) {
  "use strict";
  const AT_ONCE = 6; // decoded side by side
  const DECODER_DELAY = 1105; // samples that some decoders leave in front (LAME's encoder and theirs)

  d.Tones = class {
    constructor(drill) {
      this.rows = [];
      drill.tones.forEach((tone) => this.add(tone));
      this.rate = drill.rate;
      this.queue = [];
      this.busy = 0;
      this.left = false;
    }

    /** One more tone; its number. */
    add([name, count, level, release, key]) {
      return this.rows.push({ name, count, gain: d.gainOf(level), release, key, buffer: null, wait: null }) - 1;
    }

    /** Resolves when all of these tones (numbers) can be played; the first are made ready first. */
    ready(numbers) {
      const wanted = this.waiting(numbers);
      wanted.forEach((row) => this.ask(row));
      const ahead = new Set(wanted);
      this.queue = [...wanted.filter((row) => this.queue.includes(row)), ...this.queue.filter((row) => !ahead.has(row))];
      this.work();
      return Promise.all(wanted.map((row) => row.wait));
    }

    /** Resolves when all of these tones are here, decoded or not: from then on no server is needed. */
    async come(numbers) {
      const wanted = this.waiting(numbers);
      for (let first = 0; first < wanted.length && !this.left; first += AT_ONCE) {
        await Promise.all(wanted.slice(first, first + AT_ONCE).map((row) => d.load(row.name)));
      }
    }

    /** Let go of what was not decoded: another drill is there. */
    leave() {
      this.left = true;
      this.rows.filter((row) => !row.buffer).forEach((row) => d.forget(row.name));
    }

    /** Those of some tones that are not decoded yet. */
    waiting(numbers) {
      return [...new Set(numbers)].map((number) => this.rows[number]).filter((row) => row && !row.buffer);
    }

    /** Whether all of these tones can be played. */
    has(numbers) {
      return numbers.every((number) => !this.rows[number] || this.rows[number].buffer);
    }

    ask(row) {
      if (row.wait) return;
      row.wait = new Promise((resolve, reject) => { row.resolve = resolve; row.reject = reject; });
      row.wait.catch(() => { row.wait = null; });
      this.queue.push(row);
    }

    work() {
      while (this.busy < AT_ONCE && this.queue.length) {
        const row = this.queue.shift();
        this.busy += 1;
        this.decode(row).then(row.resolve, row.reject).then(() => { this.busy -= 1; this.work(); });
      }
    }

    async decode(row) {
      const buffer = await decoder(this.rate).decodeAudioData(bytesOf(await d.load(row.name)));
      d.forget(row.name);
      row.shift = buffer.length >= row.count + DECODER_DELAY ? DECODER_DELAY / this.rate : 0;
      row.seconds = Math.min(row.count / this.rate, buffer.duration - row.shift);
      row.buffer = buffer;
    }
  };

  /** A context that never sounds may decode before the page has been touched. */
  function decoder(rate) {
    if (!d.offline) d.offline = new (window.OfflineAudioContext || window.webkitOfflineAudioContext)(1, 1, rate);
    return d.offline;
  }

  function bytesOf(base64) {
    const text = atob(base64);
    const bytes = new Uint8Array(text.length);
    for (let index = 0; index < text.length; index += 1) bytes[index] = text.charCodeAt(index);
    return bytes.buffer;
  }
})(window.drillgen);

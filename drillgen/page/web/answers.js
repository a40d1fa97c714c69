/* The panel of answers: what was heard in each turn, how the keys stand, and what next. */
(function (d) {
  "use strict";
  const SHOWN = 24; // answers that stay in sight
  const NAMED = 3; // notes that a short line names
  const SILENT = -55; // dB of full scale: softer than any answer
  const APART = 8; // dB that an answer stands out from the band in the microphone, at least
  const NOTHING = "Nothing heard in this turn";
  const BLEEDS = "Not judged: the microphone hears the call, too. Wear headphones, and be silent in the call";
  const LOST = "Not judged: this device was too busy to record all of it";
  const FOUND_NOTHING = "No part of this recording fits this drill in this key and at its tempos. Choose the key and the tempo that you played with, and try again.";
  const SURE = 4000; // ms for a second touch

  /** `page`: {music, layout, drill, tempo, adopt, wake} of the page that it stands on. */
  d.Answers = class {
    constructor(page) {
      this.page = page;
      this.round = null;
      this.hearing = new d.Hearing({
        music: page.music, anyOctave: () => page.drill().anyOctave, tempo: page.tempo,
        response: (judged, window) => this.live(judged, window), lost: () => this.end("The microphone is gone."),
      });
      const on = (id, event, act) => d.byId(id).addEventListener(event, act);
      on("listen", "click", () => (this.hearing.listening ? this.end("") : this.begin()));
      on("choose", "click", () => d.byId("recording").click());
      on("recording", "change", () => this.file());
      on("measure", "click", () => this.measure());
      on("take-up", "click", () => page.adopt(this.next.key, this.next.tempo));
      on("save-results", "click", () => save(d.results.text(page.program)));
      on("delete-results", "click", () => this.remove());
    }

    /** Another drill, or another way in which its bars are laid out. */
    drill(asks) {
      d.byId("answers").hidden = !asks;
      if (!asks) this.end("");
      this.hearing.forgetWindows();
      this.round = null;
      d.byId("judged").replaceChildren();
      d.setText("heard", "");
      this.show();
    }

    say(text) {
      d.setText("listening", text);
    }

    /* Hearing ------------------------------------------------------------------------------ */

    async begin() {
      this.say("Asking for the microphone …");
      try {
        await this.hearing.begin(this.page.wake());
      } catch (error) {
        return this.say(error.message);
      }
      d.byId("listen").setAttribute("aria-pressed", "true");
      d.setText("listen", "Stop listening");
      d.byId("heard").hidden = false;
      const measured = d.results.delay() !== null;
      return this.say(`Listening. Wear headphones, play the track, and answer in your turns.${measured ? "" : " The way there and back is not measured on this device: early and late may be wrong until it is, below."}`);
    }

    end(why) {
      this.hearing.end();
      d.byId("listen").setAttribute("aria-pressed", "false");
      d.setText("listen", "Listen to my turns");
      d.byId("heard").hidden = true;
      this.say(why);
    }

    live(judged, { bar, tempo }) {
      const problem = troubleOf(judged);
      const line = problem || shortWords(judged, this.hearing.tables);
      d.setText("heard", `${line}.`);
      this.list(this.page.nameOf(bar), line, problem ? null : judged);
      if (!problem) this.count(this.page.keyOf(bar), tempo, judged, bar);
      if (this.round && this.page.expected(this.round.key).every((each) => this.round.seen.has(each))) this.close();
      this.show();
    }

    /** The track has stopped: a round that is not whole does not count. */
    stopped() {
      this.round = null;
    }

    async file() {
      const [file] = d.byId("recording").files;
      if (!file) return;
      d.byId("recording").value = "";
      this.say(`Hearing “${file.name}” …`);
      try {
        const tracks = await this.page.tracks();
        const found = await this.hearing.hear(file, tracks.map(({ responses }) => responses), this.page.drill().anyOctave, (share) => this.say(`Hearing “${file.name}” … ${Math.round(100 * share)} %`));
        this.filed(found, tracks);
      } catch (error) {
        this.say(error.message);
      }
    }

    filed({ loudest, clipped, place, responses }, tracks) {
      if (loudest < SILENT) return this.say("This recording is silent, or almost: was the right microphone on?");
      if (!place || !responses.length) return this.say(FOUND_NOTHING);
      d.byId("judged").replaceChildren();
      const { tempo, names } = tracks[place.track];
      this.round = null;
      responses.forEach((judged) => {
        const [key, where] = names[judged.response.number];
        this.list(where, shortWords(judged, this.hearing.tables), judged);
        this.count(key, tempo, judged, judged.response.number);
      });
      this.close();
      const right = sum(responses.map((each) => each.right));
      const asked = sum(responses.map(({ verdicts }) => verdicts.length));
      this.say(`${d.count(responses.length, "answer")} heard at ${Math.round(tempo)} beats a minute: ${right} of ${d.count(asked, "note")}.${clipped ? " The recording is clipped: softer, or further from the microphone, hears better." : ""}`);
      return this.show();
    }

    async measure() {
      const was = this.hearing.listening;
      if (!was) await this.begin();
      if (!this.hearing.listening) return;
      this.say("Five short whistles …");
      const seconds = await this.hearing.measure(this.page.wake()).catch(() => null);
      if (seconds !== null) d.results.keepDelay(seconds);
      if (!was) this.end("");
      this.say(seconds === null
        ? "The whistles were not heard. Turn the sound up a little, or lay the headphones on the microphone, and measure again."
        : `Measured: ${Math.round(1000 * seconds)} ms there and back. It is kept for this device.`);
    }

    /* Rounds ------------------------------------------------------------------------------- */

    /** Answers of one key are a round; it is over when one comes again, or another key or tempo. */
    count(key, tempo, { right, verdicts }, place) {
      const round = this.round;
      if (round && (round.key !== key || Math.abs(round.tempo - tempo) >= 0.5 || round.seen.has(place))) this.close();
      if (!this.round) this.round = { key, tempo, right: 0, asked: 0, verdicts: [], seen: new Set() };
      this.round.right += right;
      this.round.asked += verdicts.length;
      this.round.verdicts.push(...verdicts.map(({ verdict }) => verdict));
      this.round.seen.add(place);
    }

    close() {
      if (!this.round) return;
      const { key, tempo, right, asked, verdicts } = this.round;
      this.round = null;
      this.guess = guessOf(verdicts, this.hearing.tables.guesses);
      d.results.add(this.page.drill().title, key, { at: new Date().toISOString(), tempo: Math.round(tempo), right, asked });
    }

    remove() {
      const button = d.byId("delete-results");
      if (!button.classList.toggle("sure")) {
        d.results.clear();
        this.round = null;
        d.byId("judged").replaceChildren();
        this.say("The results are deleted.");
      }
      const text = button.classList.contains("sure") ? "Touch again to delete" : "Delete the results";
      d.setText("delete-results", text);
      clearTimeout(this.unsure);
      this.unsure = setTimeout(() => { button.classList.remove("sure"); d.setText("delete-results", "Delete the results"); }, SURE);
      this.show();
    }

    /* Showing ------------------------------------------------------------------------------ */

    list(where, line, judged) {
      const marks = judged ? marksOf(judged, this.hearing.tables) : [];
      const item = d.el("li", {}, d.el("p", {}, d.el("span", { class: "where" }, where), ` ${line}.`), ...(marks.length ? [d.el("ul", { class: "marks" }, ...marks)] : []));
      d.byId("judged").prepend(item);
      while (d.byId("judged").children.length > SHOWN) d.byId("judged").lastElementChild.remove();
    }

    /** Keys, and what next. */
    show() {
      const { next, errs, care } = this.page.words;
      const keys = this.standings(next);
      this.page.mark(keys);
      this.next = d.advice(keys, this.page.key(), next);
      d.byId("advised").hidden = !this.next;
      if (this.next) d.setText("advice", `${this.page.seen(this.next.key)} at ${this.next.tempo} (${this.next.why}).`);
      d.setText("guess", this.guess || "");
      d.setText("rules", next.rules);
      d.setText("care", care);
      d.setText("errs", errs);
      d.byId("standing").replaceChildren(...keys.filter(([, { tried }]) => tried).map(([key, standing]) => rowOf(this.page.seen(key), standing)));
      d.byId("kept").hidden = !d.results.any();
    }

    standings(rules) {
      return this.page.labels().map((label) => [label, d.standing(d.results.rounds(this.page.drill().title, label), rules)]);
    }
  };

  const sum = (numbers) => numbers.reduce((all, each) => all + each, 0);

  /** Why a turn cannot be judged; "" where it can. */
  function troubleOf({ level, bleed, lost }) {
    if (lost) return LOST;
    if (level === null || level < SILENT) return NOTHING;
    return bleed !== null && bleed > SILENT && level - bleed < APART ? BLEEDS : "";
  }

  /** "Bb2" as it is written: B♭2. */
  const pretty = (name) => name.replace(/(?<=^[A-G])[b#]+/, (marks) => marks.replaceAll("b", "♭").replaceAll("#", "♯"));

  const NAMES = ["C", "D♭", "D", "E♭", "E", "F", "G♭", "G", "A♭", "A", "B♭", "B"];
  const nameOf = (pitch) => `${NAMES[((Math.round(pitch) % 12) + 12) % 12]}${Math.floor(Math.round(pitch) / 12) - 1}`;

  /** "2 of 4 notes: B2 early, E♭3 missing". */
  function shortWords({ verdicts, extra, right }, tables) {
    const others = verdicts.filter(({ verdict }) => verdict !== "right").map(({ asked, verdict }) => `${pretty(asked[3])} ${tables.verdicts[verdict].word}`);
    const more = extra.map(({ pitch }) => `${nameOf(pitch)} ${tables.verdicts.extra.word}`);
    const all = [...others, ...more];
    const rest = all.length > NAMED ? [`${all.length - NAMED} more`] : [];
    return [`${right} of ${d.count(verdicts.length, "note")}`, [...all.slice(0, NAMED), ...rest].join(", ")].filter(Boolean).join(": ");
  }

  /** Each asked note with its sign; touched, it says more. */
  function marksOf({ verdicts }, tables) {
    return verdicts.map(({ asked, verdict, heard, ms, cents }) => {
      const { sign, words } = tables.verdicts[verdict];
      const parts = { name: pretty(asked[3]), heard: heard ? nameOf(heard.pitch) : "", ms: Math.abs(Math.round(ms)), cents: Math.abs(Math.round(cents)) };
      const text = words.replace(/\{(\w+)\}/g, (_, part) => parts[part]);
      return d.el("li", { class: `is-${verdict}`, title: text }, d.el("span", { "aria-hidden": "true" }, `${sign} ${parts.name}`), d.el("span", { class: "unseen" }, text));
    });
  }

  /** A sentence on the likely cause of what came often, marked as a guess; "" where nothing did. */
  function guessOf(verdicts, guesses) {
    const often = Object.entries(guesses).find(([name, { least, share }]) => {
      const count = verdicts.filter((verdict) => verdict === name).length;
      return count >= least && count >= share * verdicts.length;
    });
    return often ? often[1].words : "";
  }

  function rowOf(key, { solid, best, share }) {
    return d.el("tr", {}, d.el("th", { scope: "row" }, key), d.el("td", {}, solid ? "solid" : "not yet"),
      d.el("td", {}, best === null ? "–" : String(best)), d.el("td", {}, `${Math.round(100 * share)} %`));
  }

  function save(text) {
    const address = URL.createObjectURL(new Blob([text], { type: "application/json" }));
    d.el("a", { href: address, download: "answers.json" }).click();
    setTimeout(() => URL.revokeObjectURL(address), 1000);
  }
})(window.drillgen);

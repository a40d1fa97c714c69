/* What is read on the page: the pack, the drill, its tempo, and whose turn it is. */
(function (d) {
  "use strict";
  const FAR = 64; // beats: what lies further ahead is counted in bars
  let shown = ""; // the turn that is shown, and the one that was spoken
  let spoken = "";

  d.show = { catalogue, drill, lineOf, reader, tempo, playing, pace, ready, anew, turn, first, problem };

  function catalogue({ title, drills, licence, program }) {
    const several = drills.length > 1;
    document.title = title;
    d.setText("pack", title);
    d.byId("pack").hidden = !several && title === drills[0].title;
    d.byId("choice").hidden = !several;
    d.byId("drill").replaceChildren(...drills.map((entry, index) =>
      d.el("option", { value: index }, several ? `${index + 1}. ${entry.title}` : entry.title)));
    d.setText("licence", `${licence[0]}: ${licence[1]}`);
    d.setText("program", `Made with ${program}.`);
  }

  /** What is there for who reads the drill: keys to choose from, of which `weak` ones are not solid, and PDFs. */
  function reader(value, weak) {
    const chosen = d.byId("key").value;
    d.byId("reader").value = value.reader;
    d.byId("sounding").hidden = !value.moved;
    d.byId("key").replaceChildren(...d.choices(value).map(({ label, seen }, index) =>
      d.el("option", { value: index }, weak.has(label) ? `${seen} – not yet solid` : seen)));
    d.byId("key").value = chosen;
    d.byId("papers").replaceChildren(...value.papers.map(([label, file]) => d.el("a", { href: addressOf(file) }, label)));
  }

  function drill(value) {
    const sheet = Boolean(value.layouts[0].keys[0].sheet);
    d.setText("title", value.title);
    d.setText("note", value.note);
    d.byId("note").hidden = !value.note;
    d.setText("facts", value.facts);
    d.byId("reader").replaceChildren(...value.readers.map(([name, label]) => d.el("option", { value: name }, label)));
    d.byId("reading").hidden = !sheet || value.readers.length < 2;
    d.byId("line").value = lineOf(value);
    d.byId("hiding").hidden = !sheet || value.dictated || !value.parts.some((part) => part.name === "line");
    d.byId("list").open = !sheet;
    d.byId("repeat").checked = value.loops;
  }

  /** When the line of a drill is seen, where nobody chooses. */
  function lineOf({ dictated, byEar }) {
    return dictated ? "hidden" : byEar ? "after" : "shown";
  }

  /** A file's path as a link: whatever stands in a name, a number sign too, stays in it. */
  const addressOf = (file) => file.split("/").map(encodeURIComponent).join("/");

  function tempo(takes, take, beats, choose) {
    const text = String(Math.round(beats * 10) / 10);
    d.byId("tempo").value = d.byId("pace").value = text;
    pace(beats);
    d.byId("steps").hidden = takes.length < 2;
    d.byId("steps").replaceChildren(...takes.map((each) => d.el("button", {
      type: "button", class: "small", "aria-pressed": String(each === take && beats === each.tempo),
      on: { click: () => choose(each) },
    }, each.to === each.tempo ? String(each.tempo) : `${each.tempo}–${each.to}`)));
    const last = Math.round((take.to * beats) / take.tempo);
    d.setText("climb", take.to === take.tempo ? "" : `The first pass; it goes on to ${last}, a step on each pass.`);
  }

  /** The tempo that is heard: in slow rounds not the chosen one. */
  function pace(beats) {
    const text = String(Math.round(beats * 10) / 10);
    d.setText("pace-here", `${text} a minute`);
    d.byId("pace-here").setAttribute("aria-label", `Tempo: ${text} beats a minute`);
  }

  /** `taken`: it would play, but the system has taken the sound away. */
  function playing(on, taken) {
    document.body.classList.toggle("playing", on);
    d.byId("play").classList.toggle("on", on && !taken);
    d.setText("play-word", taken ? "Go on" : on ? "Pause" : "Play");
  }

  /** Nothing sounds. */
  function ready(word, { beats }) {
    d.byId("turn").classList.remove("yours");
    d.setText("word", word);
    ["until", "chord", "next"].forEach((id) => d.setText(id, ""));
    d.byId("beats").replaceChildren(...Array.from({ length: beats }, () => d.el("i")));
    anew();
  }

  function anew() {
    shown = spoken = "";
  }

  /** Whose turn it is at a place in the music, and the harmony. */
  function turn(value, layout, player, here) {
    const found = d.turnAt(value, layout, player, here);
    const beat = Math.floor(here.share * value.beats + 1e-6);
    [...d.byId("beats").children].forEach((dot, index) => dot.classList.toggle("past", index <= beat));
    const chords = d.chordsAt(value, layout, player, here);
    d.setText("chord", chords.now);
    d.setText("next", chords.next ? `then ${chords.next}` : "");
    const said = `${found.word} ${found.beats} ${found.then} ${found.loading}`;
    if (said === shown) return;
    shown = said;
    d.byId("turn").classList.toggle("yours", d.isYourTurn(found.role));
    d.setText("word", found.word);
    d.byId("until").replaceChildren(...until(found, value.beats));
    speak(found);
  }

  /** How long a turn lasts: in beats, or in bars while the end is far away. */
  function until({ beats, then, loading }, inBar) {
    if (loading) return ["while the first bars load"];
    if (beats === null) return ["round and round, until you stop"];
    if (beats === 0) return [];
    const far = beats > FAR;
    const number = far ? Math.ceil(beats / inBar) : beats;
    return [d.el("b", {}, String(number)), ` ${far ? "bar" : "beat"}${number === 1 ? "" : "s"}, then ${then}`];
  }

  /** A screen reader hears a turn when it begins, and nothing in between. */
  function speak({ word, beats }) {
    if (spoken === word) return;
    spoken = word;
    if (d.byId("speak").checked) d.setText("spoken", beats ? `${word}, ${d.count(beats, "beat")}` : word);
  }

  function first(key) {
    d.byId("first").hidden = !key.first;
    if (!key.first) return;
    d.setText("first-note", key.first.name);
    d.setText("first-what", key.first.what ? `(${key.first.what})` : "");
  }

  /** What is wrong; "" when all is well. */
  function problem(text) {
    d.setText("problem", text);
    d.byId("problem").hidden = !text;
  }
})(window.drillgen);

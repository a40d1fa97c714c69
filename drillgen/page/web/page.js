/* The page itself: what is chosen, what is shown, what is played. */
(function (d) {
  "use strict";
  const NARROW = 620; // pixels of the sheet: below that it has fewer bars a line
  const FIRST_BARS = 4; // whose tones must be ready before they begin; a count-in goes on until then
  const NO_SOUND = "The browser has not started the sound. Are loudspeakers or headphones connected, and may this page play sound?";
  const TAKEN = "Something else has taken the sound: a call, another program. “Go on” continues from here.";
  const LOADING = "Loading";
  const SOON = 10; // ms: the shortest wait for what is shown next
  const LATER = 250; // and the longest

  const catalogue = JSON.parse(d.byId("catalogue").textContent);
  const still = window.matchMedia("(prefers-reduced-motion: reduce)");
  const state = { entry: null, data: null, drill: null, reader: "", weak: new Set(), layout: 0, key: null, take: null, tempo: 0, bar: 0, levels: new Map() };
  const strip = new d.Strip(d.byId("strip"), (id) => jump(state.places.barOf(id, state.bar)));
  const list = new d.Bars(d.byId("bars"), (bar) => jump(bar));
  const sight = new d.Sight(d.byId("back"));
  const answers = new d.Answers({
    program: catalogue.program, words: catalogue.words, drill: () => state.drill, keyOf, tracks, adopt, expected,
    music: () => ({ player, asked: state.read.asked }),
    tempo: ({ speed, bar }) => (state.read.tempos.length ? state.read.tempos[bar] : state.take.tempo) * speed,
    labels: () => keyLabels(), seen: (label) => d.choices(state.drill).find((each) => each.label === label).seen, key: () => keyOf(d.clamp(state.bar, player.lead, layout().bars.length - 1)),
    nameOf: (bar) => whereOf(layout(), bar), wake: () => band.open(), mark: markKeys,
  });
  let band = null;
  let player = null;
  let waiting = 0;

  /* What is chosen ------------------------------------------------------------------------- */

  async function chooseDrill(entry) {
    stop();
    if (band) band.close();
    const asked = (state.choosing = {});
    if (entry.count) d.load(entry.count).then(d.bring, () => {});
    const data = await d.load(entry.file);
    if (state.choosing !== asked) return;
    strip.clear();
    const drill = d.readBy(data, state.reader);
    Object.assign(state, { entry, data, drill, weak: new Set(), layout: 0, take: null, bar: 0, speech: null });
    if (state.tones) state.tones.leave();
    state.tones = new d.Tones(drill);
    band = new d.Band(drill, state.tones);
    player = new d.Player(band);
    player.onend = ended;
    player.cueOf = cueOf;
    player.ready = (bar) => state.tones.has(opening(bar));
    d.byId("drill").value = String(catalogue.drills.indexOf(entry));
    d.show.drill(drill);
    d.show.reader(drill, state.weak);
    player.countIn = d.byId("count-in").checked;
    if (d.byId("rounds").value !== "steady") d.byId("repeat").checked = true;
    player.repeat = d.byId("repeat").checked;
    player.countRounds = d.byId("count-rounds").checked;
    d.byId("clicking").hidden = !drill.parts.some((part) => part.name === "click" && part.label !== "Click");
    d.byId("click").options[2].disabled = drill.beats % 2 > 0;
    player.click = d.byId("clicking").hidden ? "off" : d.byId("click").value;
    setRounds();
    d.showParts(d.byId("parts"), band, state.levels);
    setCues();
    d.show.ready(LOADING, drill);
    await chooseKey(0);
  }

  /** For whom it is written is seen, not heard: what sounds goes on. */
  function chooseReader(name) {
    state.reader = name;
    state.drill = d.readBy(state.data, name);
    d.show.reader(state.drill, state.weak);
    showBars();
    dress();
    place(state.bar);
  }

  function showBars() {
    state.places = d.places(layout(), player.lead);
    list.show(layout(), player.lead, state.places);
  }

  /** Have ready what is heard first, and the rest here; until then the page says that it loads. */
  async function prepare() {
    const { tones, read } = state;
    const from = state.bar || player.lead;
    const asked = (state.preparing = {});
    if (state.entry.count) await d.load(state.entry.count).catch(() => {});
    const quiet = () => state.preparing === asked && !player.playing;
    if (quiet() && !tones.has(beginning(from))) d.show.ready(LOADING, state.drill);
    await tones.ready(beginning(from));
    if (quiet() && !state.asked && d.byId("word").textContent === LOADING) d.show.ready("Ready", state.drill);
    const own = band;
    await tones.ready(opening(from));
    d.load("room").then((room) => own.furnish(room), () => {});
    if (state.preparing !== asked) return;
    await tones.come(d.tonesFrom(layout(), read, from)).catch(() => {});
    if (state.preparing === asked) d.keepOffline(needed());
  }

  /** What a voice says: what was chosen, else what the drill asks for.  Its words come when they are wanted. */
  function setCues() {
    const { drill, tones } = state;
    const [own, select] = [player, d.byId("cues")];
    [...select.options].forEach((option) => { option.disabled = option.value.includes("turns") && !Object.keys(drill.spoken.turns).length; });
    const fits = [...select.options].some((option) => option.value === state.cues && !option.disabled);
    select.value = fits ? state.cues : drill.spoken.kind;
    const kind = select.value;
    d.byId("on-spoken").closest("li").hidden = kind === "off";
    own.say = () => [];
    if (kind === "off") return own.replan();
    state.speech = state.speech || d.speech(drill, tones);
    state.speech.then((said) => {
      if (player !== own || select.value !== kind) return;
      own.say = (stretch, bar) => d.wordsIn(own, said, kind, layout(), stretch, bar);
      own.replan();
    }, failed);
  }

  /** Everything that the drill needs, by name. */
  function needed() {
    const { entry, data } = state;
    const sheets = data.layouts.flatMap(({ read }) => read.flatMap(({ keys }) => keys.flatMap(({ sheet, narrow }) => [sheet, narrow])));
    const words = d.byId("cues").value === "off" ? "" : data.spoken.file;
    const all = [entry.file, entry.count, words, ...entry.takes.map((take) => take.file), ...sheets, ...data.tones.map(([name]) => name)];
    return [...new Set(all)].filter(Boolean);
  }

  /** The tones of a bar and some after it. */
  const opening = (bar) => d.tonesFrom(layout(), state.read, bar, player.lead + FIRST_BARS);

  /** The tones that must be there before anything is heard: of the count-in, where there is one. */
  function beginning(bar) {
    if (!player.lead || !player.countIn) return opening(bar);
    const cue = cueOf(bar);
    return [...d.tonesFrom(layout(), state.read, bar, player.lead), ...(cue === null ? [] : [cue])];
  }

  const layout = () => state.drill.layouts[state.layout];

  async function chooseKey(index) {
    const choice = d.choices(state.drill)[index];
    const tempo = state.take ? state.tempo : null;
    state.key = choice;
    state.layout = choice.layout;
    d.byId("key").value = String(index);
    player.lead = d.leadOf(layout());
    showBars();
    setBars(choice.from, choice.to);
    const was = player.playing;
    if (was) stop();
    const takes = takesHere();
    await chooseTempo(tempo === null ? takes[0].tempo : tempo, tempo === null ? takes[0] : null);
    place(choice.from);
    if (was) start(choice.from);
  }

  const takesHere = () => state.entry.takes.filter((take) => take.layout === state.layout);

  /** A tempo, from the take that was planned nearest to it (or from the one given). */
  async function chooseTempo(tempo, given) {
    const wanted = d.clamp(Math.round(tempo * 100) / 100 || state.tempo, d.SLOWEST, d.FASTEST);
    const takes = takesHere();
    const now = takes.includes(state.take) ? state.take : takes[0];
    const take = given || d.nearestTake(takes, now, wanted);
    state.tempo = wanted;
    d.show.tempo(takes, take, wanted, (each) => chooseTempo(each.tempo, each));
    const value = await d.load(take.file);
    if (state.tempo !== wanted || !takesHere().includes(take)) return; // something else was chosen meanwhile
    if (take !== state.take) state.read = d.readTake(value, state.drill.rate);
    if (!state.take) answers.drill(state.read.asked.length > 0);
    state.take = take;
    player.tempo = take.tempo;
    player.use(state.read, state.tempo / take.tempo);
    prepare().catch(failed);
  }

  function setBars(from, to) {
    const end = state.drill.layouts[state.layout].bars.length - 1;
    player.first = d.clamp(from, player.lead, end);
    player.last = d.clamp(to, player.first, end);
    d.byId("from").value = state.places.numberOf(player.first);
    d.byId("to").value = state.places.numberOf(player.last);
    d.byId("from").min = d.byId("to").min = state.places.numberOf(player.lead);
    d.byId("from").max = d.byId("to").max = state.places.numberOf(end);
    dress();
  }

  /* Playing -------------------------------------------------------------------------------- */

  /** The tone of the starting note where a count-in leads to another key than it was written for. */
  function cueOf(bar) {
    const number = layout().bars[bar][1];
    const { first } = layout().keys[number];
    return number > 0 && first && first.tone >= 0 ? first.tone : null;
  }

  /** Play from a bar on, after so many bars of the count-in at most. */
  async function start(bar, counted) {
    const asked = (state.asked = {});
    const first = counted === 0 ? opening(bar) : beginning(bar);
    if (!player.playing && !state.tones.has(first)) d.show.ready(LOADING, state.drill);
    d.byId("play").classList.add("on");
    band.open(); // within the touch
    try {
      await Promise.all([state.tones.ready(first), state.speech]);
    } catch (error) {
      return failed(error);
    }
    if (state.asked !== asked) return;
    player.play(bar, counted);
    state.tones.ready(d.tonesFrom(layout(), state.read, bar));
    d.show.anew();
    showPlaying();
    d.keepAwake(true);
    follow();
  }

  function stop() {
    state.asked = null;
    answers.stopped();
    if (player && player.playing) player.stop();
    clearTimeout(waiting);
    showPlaying();
    if (state.take) d.show.pace(state.tempo);
    d.keepAwake(false);
  }

  function toggle() {
    if (player.playing && player.interrupted()) band.open();
    else if (player.playing || state.asked) {
      if (player.playing) place(barHere());
      stop();
      d.show.ready("Paused", state.drill);
    } else start(d.clamp(state.bar, player.lead, layout().bars.length - 1));
  }

  function ended() {
    stop();
    place(player.first);
    d.show.ready("Ready", state.drill);
  }

  /** Whoever jumps knows the tempo: one bar of the count-in, or none. */
  function jump(bar, counted = 1) {
    if (bar === undefined || !player) return;
    place(Math.max(bar, player.lead));
    start(state.bar, counted);
  }

  /** The bar that sounds, or that the count-in leads to. */
  function barHere() {
    const { bar } = player.now();
    return bar < player.lead ? player.target : bar;
  }

  /** Bars back or on; on from within the count-in: straight to the bar that it leads to. */
  function step(by) {
    const counting = player.playing && player.now().bar < player.lead;
    const bar = player.playing ? barHere() : state.bar;
    if (counting && by > 0) return jump(bar, 0);
    const to = d.clamp(bar + by, player.lead, layout().bars.length - 1);
    return player.playing ? jump(to) : place(to, true);
  }

  /** Show what the ear hears now; again when the next beat or chord begins. */
  function follow() {
    clearTimeout(waiting);
    if (!player || !player.playing) return;
    const taken = player.interrupted();
    d.show.problem(taken ? TAKEN : player.stuck() ? NO_SOUND : "");
    d.show.playing(true, taken);
    const here = player.now();
    if (here.bar !== state.bar) place(here.bar, true);
    if (player.climb && here.bar >= player.lead) climbed(here.stretch.speed * state.take.tempo);
    if (player.slow) d.show.pace(state.tempo * (here.stretch.slowly && player.repeat ? player.slow : 1));
    d.show.turn(state.drill, layout(), player, here);
    const wait = d.secondsToNext(state.drill, layout(), player, here) * 1000;
    waiting = setTimeout(follow, d.clamp(wait, SOON, LATER));
  }

  /** The tempo that is heard now, after a step of its own. */
  function climbed(tempo) {
    if (Math.abs(tempo - state.tempo) < 0.01) return;
    state.tempo = tempo;
    d.show.tempo(takesHere(), state.take, tempo, (each) => chooseTempo(each.tempo, each));
  }

  function setRounds() {
    const value = (id, least, most) => d.clamp(Math.round(Number(d.byId(id).value)) || least, least, most);
    const kind = d.byId("rounds").value;
    d.byId("climbing").hidden = kind !== "climb";
    d.byId("slowing").hidden = kind !== "slow";
    player.climb = kind === "climb"
      ? { to: value("climb-to", d.SLOWEST, d.FASTEST), by: value("climb-by", 1, 60), every: value("climb-every", 1, 32) }
      : null;
    player.slow = kind === "slow" ? value("slow-share", 50, 95) / 100 : null;
  }

  /** Rounds that differ are rounds: the bars repeat. */
  function chooseRounds() {
    if (d.byId("rounds").value !== "steady") player.repeat = d.byId("repeat").checked = true;
    setRounds();
    player.replan();
    d.show.pace(state.tempo);
  }

  function failed(error) {
    stop();
    d.show.problem(`${error.message}. Is the folder “page” still beside this file?`);
  }

  /* Showing -------------------------------------------------------------------------------- */

  function showPlaying() {
    const on = Boolean(player && (player.playing || state.asked));
    sight.play(on);
    d.show.playing(on);
    if (state.drill && d.context) d.mediaKeys(on, state.drill.title, {
      play: () => (!player.playing || player.interrupted()) && toggle(), pause: () => player.playing && toggle(), previoustrack: () => step(-1), nexttrack: () => step(1),
    });
  }

  /** Make a bar the present one; `seen`: bring it into sight. */
  function place(bar, seen) {
    state.bar = bar;
    const goal = bar >= player.lead ? bar : player.playing ? player.target : state.key.from;
    const key = layout().bars[goal][1];
    d.setText("place", `${state.places.whereIs(bar)} · ${layout().keys[key].seen}`);
    showSheet(key, bar, seen);
    list.mark(bar);
  }

  async function showSheet(keyIndex, bar, seen) {
    const key = layout().keys[keyIndex];
    d.show.first(key);
    const large = d.byId("strip").clientWidth < NARROW || document.body.classList.contains("room");
    const name = large ? key.narrow || key.sheet : key.sheet;
    const wanted = (state.sheet = {});
    const value = name ? await d.load(name) : null;
    if (state.sheet !== wanted) return;
    state.sheetKey = key;
    d.setText("paper", `${key.seen} · ${d.byId("tempo").value} beats a minute`);
    const open = d.byId("line").value !== "hidden" && value && value.answer;
    sight.expect();
    strip.show(value ? (open ? value.answer : value.sheet) : "", `Sheet, ${key.seen}`, (id) => state.places.nameOf(state.places.barOf(id, state.bar)));
    d.byId("marking").hidden = !strip.hasRows();
    d.byId("naming").hidden = !value || !Object.keys(value.names).length;
    strip.name(d.byId("names").checked && value ? value.names : null);
    dress();
    strip.mark(state.places.idOf(bar));
    const goal = bar < player.lead ? player.target : bar;
    const [here, next] = [goal, goal + 1].map((each) => strip.bar(state.places.idOf(each)));
    if (seen) sight.keep(here, next, still.matches ? "auto" : "smooth");
  }

  /** Classes of the sheet's bars: outside the chosen ones, and where the line is not to be seen. */
  function dress() {
    const line = d.byId("line").value;
    const barOf = (id) => state.places.barOf(id, state.bar);
    strip.dress("out", (id) => barOf(id) < player.first || barOf(id) > player.last);
    strip.dress("unseen-line", (id) => line === "hidden" || (line === "after" && !state.places.answered(barOf(id), state.bar)));
  }

  /* Answers -------------------------------------------------------------------------------- */

  const keyLabels = () => [...new Set(d.choices(state.drill).filter(({ index }) => index !== undefined).map(({ label }) => label))];

  function keyOf(bar) {
    return layout().keys[layout().bars[bar][1]].label;
  }

  function whereOf({ keys, bars }, bar) {
    return `${keys[bars[bar][1]].seen}, bar ${state.places.numberOf(bar)}:`;
  }

  /** The first bars of the answers that a round in a key has, of the bars that are chosen. */
  function expected(label) {
    return state.read.asked.map(({ bars: [from, to] }) => [from, to].map((bar) => bar + player.lead - 1))
      .filter(([from, to]) => from <= player.last && to >= player.first && keyOf(from) === label)
      .map(([from]) => Math.max(from, player.first));
  }

  /** The tracks that a recording may be of: the present bars at every tempo of the pack, and as chosen. */
  async function tracks() {
    const all = await Promise.all(takesHere().map(async (take) => [take, d.readTake(await d.load(take.file), state.drill.rate)]));
    const own = layout();
    return [[state.take, state.read, state.tempo], ...all.map(([take, read]) => [take, read, take.tempo])].map(([take, read, tempo]) => {
      const scaled = (seconds) => (seconds * take.tempo) / tempo;
      return {
        tempo,
        names: read.asked.map(({ bars: [bar] }) => bar + player.lead - 1).map((bar) => [keyOf(bar), whereOf(own, bar)]),
        responses: read.asked.map(({ start, end, notes }, number) => ({
          number, start: scaled(start), end: scaled(end), notes: notes.map(([from, to, ...rest]) => [scaled(from), scaled(to), ...rest]),
        })),
      };
    });
  }

  async function adopt(label, tempo) {
    await chooseKey(d.choices(state.drill).findIndex((choice) => choice.label === label));
    await chooseTempo(tempo);
    keepSoon();
  }

  function markKeys(keys) {
    state.weak = new Set(keys.filter(([, { tried, solid }]) => tried && !solid).map(([label]) => label));
    d.show.reader(state.drill, state.weak);
  }

  /* Hands ---------------------------------------------------------------------------------- */

  function listen() {
    const on = (id, event, act) => d.byId(id).addEventListener(event, act);
    const number = (id) => Number(d.byId(id).value) || 0;
    const numbered = () => bars(...state.places.between(number("from"), number("to")));
    on("drill", "change", () => chooseDrill(catalogue.drills[number("drill")]).catch(failed));
    on("reader", "change", () => chooseReader(d.byId("reader").value));
    on("key", "change", () => chooseKey(number("key")).catch(failed));
    on("play", "click", toggle);
    on("top", "click", () => (player.playing ? jump(player.first, Infinity) : place(player.first)));
    d.tap(d.byId("tap"), (tempo) => chooseTempo(Math.round(tempo)));
    ["rounds", "climb-to", "climb-by", "climb-every", "slow-share"].forEach((id) => on(id, "change", chooseRounds));
    on("count-rounds", "change", () => { player.countRounds = d.byId("count-rounds").checked; });
    on("click", "change", () => { player.click = d.byId("click").value; player.replan(); });
    on("cues", "change", () => { state.cues = d.byId("cues").value; setCues(); });
    on("marks", "change", () => d.byId("strip").classList.toggle("unmarked", !d.byId("marks").checked));
    on("link", "click", copyLink);
    on("qr", "click", keep);
    d.code.offer();
    on("print-all", "click", () => printAll().catch(failed));
    d.dragging(d.byId("strip"), drag);
    ["change", "click", "keyup"].forEach((event) => document.addEventListener(event, keepSoon));
    addEventListener("hashchange", () => location.hash.includes("=") && restore().catch(failed));
    on("tempo", "change", () => chooseTempo(number("tempo")));
    on("pace", "input", () => chooseTempo(number("pace")));
    on("slower", "click", () => chooseTempo(state.tempo - 1));
    on("faster", "click", () => chooseTempo(state.tempo + 1));
    on("from", "change", numbered);
    on("to", "change", numbered);
    on("from-here", "click", () => bars(state.bar, Math.max(player.last, state.bar)));
    on("to-here", "click", () => bars(Math.min(player.first, state.bar), state.bar));
    on("whole", "click", () => bars(state.key.from, state.key.to));
    on("repeat", "change", () => { player.repeat = d.byId("repeat").checked; player.replan(); });
    on("count-in", "change", () => { player.countIn = d.byId("count-in").checked; });
    ["line", "names"].forEach((id) => on(id, "change", () => place(state.bar)));
    on("hear", "click", hearFirst);
    on("print", "click", () => window.print());
    document.addEventListener("keydown", keyboard);
    new ResizeObserver(() => player && player.take && place(state.bar)).observe(d.byId("strip").parentElement);
    document.addEventListener("visibilitychange", () => !document.hidden && player && player.playing && d.keepAwake(true));
  }

  function bars(from, to) {
    setBars(Math.min(from, to), Math.max(from, to));
    if (!player.playing && (state.bar < player.first || state.bar > player.last)) place(player.first);
    player.replan();
  }

  /** Bars under the hand, and those that were picked when it is lifted: they repeat. */
  function drag(from, to, done) {
    const [one, other] = [from, to].map((bar) => (bar ? state.places.barOf(bar.id, state.bar) : undefined));
    const inside = (bar) => one !== undefined && other !== undefined && bar >= Math.min(one, other) && bar <= Math.max(one, other);
    strip.dress("picked", (id) => !done && inside(state.places.barOf(id, state.bar)));
    if (!done || one === undefined || other === undefined) return;
    player.repeat = d.byId("repeat").checked = true;
    bars(one, other);
    keepSoon();
  }

  async function printAll() {
    const open = d.byId("line").value !== "hidden";
    if (!layout().keys[0].sheet) return window.print();
    const sheets = await Promise.all(layout().keys.map((key) => d.load(key.sheet)));
    const shown = sheets.map((value) => (open && value.answer) || value.sheet);
    return d.printAll(layout(), `${d.byId("tempo").value} beats a minute`, shown);
  }

  /* Kept ----------------------------------------------------------------------------------- */

  const tenths = (tempo) => Math.round(tempo * 10) / 10;
  const SWITCHES = ["repeat", "count-in", "count-rounds", "marks", "names"];
  const FIELDS = ["rounds", "climb-to", "climb-by", "climb-every", "slow-share", "line", "click"];
  let keeping = 0;

  function keepSoon() {
    clearTimeout(keeping);
    keeping = setTimeout(keep, 300);
  }

  /** What is so without being chosen: it stands in the drill's file, which may come to say otherwise. */
  function unchosen() {
    const repeats = state.drill.loops || d.byId("rounds").value !== "steady";
    const [from, to] = [state.key.from, state.key.to].map(state.places.numberOf);
    const key = d.choices(state.drill)[0].label;
    return { key, tempo: tenths(takesHere()[0].tempo), bars: `${from}-${to}`, repeat: repeats ? "on" : "off", line: d.show.lineOf(state.drill) };
  }

  function keep() {
    if (!player || !state.take || state.restoring) return;
    const fields = {
      drill: catalogue.drills.indexOf(state.entry) + 1, reader: state.reader, key: state.key.label, tempo: tenths(state.tempo),
      bars: `${d.byId("from").value}-${d.byId("to").value}`, parts: d.partsText(state.levels), cues: state.cues || "",
    };
    SWITCHES.forEach((id) => { fields[id] = d.byId(id).checked ? "on" : "off"; });
    FIELDS.forEach((id) => { fields[id] = d.byId(id).value; });
    Object.entries(unchosen()).forEach(([id, value]) => { if (fields[id] === value) fields[id] = ""; });
    d.address.write(fields);
    d.code.renew();
  }

  async function copyLink() {
    keep();
    try {
      await navigator.clipboard.writeText(location.href);
      d.setText("linked", "Copied.");
    } catch {
      d.setText("linked", "The page’s address is the link.");
    }
  }

  /** Choose what the address asks for, or what was kept; what does not fit is passed over. */
  async function restore() {
    const asked = d.address.read();
    stop();
    state.restoring = true;
    try {
      await restoreFrom(asked);
    } finally {
      state.restoring = false;
    }
  }

  async function restoreFrom(asked) {
    state.reader = asked.get("reader") || "";
    if (asked.has("parts")) state.levels = d.partsFrom(asked.get("parts"));
    ["count-in", "count-rounds", "marks", "names"].forEach((id) => { if (asked.has(id)) d.byId(id).checked = asked.get(id) === "on"; });
    FIELDS.filter((id) => asked.has(id) && id !== "line").forEach((id) => { d.byId(id).value = asked.get(id); });
    state.cues = asked.get("cues") || "";
    if (!d.byId("click").value) d.byId("click").value = "off";
    if (!d.byId("rounds").value) d.byId("rounds").value = "steady";
    await chooseDrill(catalogue.drills[Number(asked.get("drill")) - 1] || catalogue.drills[0]);
    await restoreDrill(asked);
    d.byId("strip").classList.toggle("unmarked", !d.byId("marks").checked);
  }

  async function restoreDrill(asked) {
    if (asked.has("repeat")) player.repeat = d.byId("repeat").checked = asked.get("repeat") === "on";
    const line = [...d.byId("line").options].some((option) => option.value === asked.get("line"));
    if (line && !d.byId("hiding").hidden) d.byId("line").value = asked.get("line");
    const key = d.choices(state.drill).findIndex((choice) => choice.label === asked.get("key"));
    if (key > 0) await chooseKey(key);
    if (Number(asked.get("tempo")) > 0) await chooseTempo(Number(asked.get("tempo")));
    const [from, to] = (asked.get("bars") || "").split("-").map(Number);
    if (from > 0 && to >= from) setBars(...state.places.between(from, to));
    place(player.first);
  }

  function keyboard(event) {
    const taken = event.key === " " ? "button, input, select, summary, a, [role=button]" : "input, select, [role=button]";
    const acts = { " ": toggle, ArrowLeft: () => step(-1), ArrowRight: () => step(1), Home: () => step(-Infinity) };
    if (!acts[event.key] || event.target.closest(taken)) return;
    if (event.ctrlKey || event.metaKey || event.altKey || !player) return;
    event.preventDefault();
    acts[event.key]();
  }

  async function hearFirst() {
    const first = state.sheetKey && state.sheetKey.first;
    if (!first || first.tone < 0) return;
    const context = band.open();
    await state.tones.ready([first.tone]);
    band.strike("line", first.tone, context.currentTime + 0.05, 2, 0);
  }

  d.onstate = follow;
  d.room(() => { sight.play(Boolean(player && player.playing)); if (player && player.take) place(state.bar, true); });
  d.nameApp();
  d.show.catalogue(catalogue);
  listen();
  restore().catch(failed);
})(window.drillgen);

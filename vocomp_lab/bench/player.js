// The player of a bench. Python puts sound into hidden <audio> elements and everything else into hidden lines of JSON: the state, and
// the news of a control that moves. This script plays the tracks from one clock, through the loudspeaker of speaker.js, and switches
// between them by gain, so no switch moves the position. Where it can, it has the page make the sound (live.js), which answers a
// control at once; otherwise it plays what Python has made. It also draws the play position over the picture.
(function (root, id) {
  "use strict";
  if (!root || root.dataset.wired) return;
  root.dataset.wired = "1";
  const WAITING = "Waiting for the sound …", WAITING_SHOWN_MS = 400, BAND_AWAITED_MS = 1000, NEAR_END_S = 0.1, AWAY_TICKS = 100;
  const HELD_BACK = "The browser is holding the sound back: connect headphones or speakers, allow sound for this page, and press Play again.";
  const NO_BAND = "The band can't be heard";
  const TRACKS = root.dataset.tracks.split(",");
  const speaker = window.vocompSpeaker, live = window.vocompLive;
  const { setOnce, nameControls, nameBench } = window.vocompNaming, playhead = window.vocompPlayhead;
  const output = root.closest(".vocomp-output") || root;
  // Asked for ten times a second, in a page of thousands of elements.
  const known = {};
  const find = (part) => (known[part] && known[part].isConnected ? known[part] : (known[part] = document.querySelector(`.vocomp-${id}-${part}`)));
  const notes = output.querySelector(".vocomp-player-notes") || root; // below the bench, while the player stands above it
  const control = (name) => root.querySelector(`[data-part="${name}"]`) || notes.querySelector(`[data-part="${name}"]`);
  const playButton = control("play"), seek = control("seek"), clock = control("clock"), volume = control("volume");
  const volumeText = control("volume-text"), matchBox = control("match"), loopBox = control("loop"), note = control("note");
  const choices = Array.from(root.querySelectorAll('input[type="radio"]'));
  const needle = window.vocompNeedle(control("needle")), hand = window.vocompHand();
  const lines = window.vocompLines(find, () => read()), sounds = window.vocompTracks(find, TRACKS);
  const played = window.vocompPlays((text) => lines.tell("plays", text));
  const chain = window.vocompLiveVoice(id, TRACKS, hand, {
    self: () => api, state: () => state, loop: () => loop(), placeIn: (on, time) => placeIn(on, time), gains: (withBand) => trackGains(state, withBand),
    matchDb: () => (matches() ? state.match_gain_db - makeupMovedDb(state) : null), heard: needle.take, ended: () => ended(),
    failed: () => { stop(); giveUpLive("its sound has failed"); }, changed: () => choose(), band: () => (hasBand() ? bandSpec() : null),
  });
  const bandBox = control("band-box"), bandTick = control("band"), balance = control("balance"), coarse = control("coarse"), fine = control("fine"), way = control("way");

  let state = null; // the newest numbers from Python
  let resting = 0; // position while not playing
  let makesSound = live.possible; // on this bench; false for good once the browser has refused
  let whyNot = "it needs an address that begins with https or is localhost";
  let animated = false, ticks = 0, away = 0;
  let stretch = null; // seconds of a stretch to go round in, or null for the whole

  const gainOf = (db) => Math.pow(10, db / 20);
  const heard = () => (choices.find((c) => c.checked) || choices[0]).value;
  const isLive = () => Boolean(makesSound && state && state.live);
  const duration = () => (sounds.made() && !isLive() ? sounds.made()[TRACKS[0]].duration : state ? state.duration_s : 0);
  const ours = () => speaker.owner() === api;
  const voice = () => (ours() ? speaker.voice() : null);
  const mode = () => (voice() ? "playing" : ours() ? "waiting" : "idle");
  const loop = () => stretch || (loopBox.checked ? [0, duration()] : null);

  function position() {
    const on = voice();
    return chain.goingTo() !== null ? chain.goingTo() : on ? placeIn(on, speaker.now()) : resting;
  }

  function placeIn(on, time) {
    const t = Math.max(0, time - on.origin);
    if (!on.loop || t < on.loop[1]) return Math.min(t, on.length);
    return on.loop[0] + ((t - on.loop[1]) % (on.loop[1] - on.loop[0]));
  }

  // ---- how loud each track is -----------------------------------------------------------------------------------------------------

  // What the make-up gain has moved by since Python measured: the match moves along at once, and the rest when Python has measured.
  function makeupMovedDb(s) {
    const { stages, moved, first, last } = s.live, on = moved >= first && moved <= last;
    const before = stages[moved].makeup_db || 0;
    return on ? hand.valueOf("makeup_db", before) - before : 0;
  }

  const matches = () => Boolean(matchBox && matchBox.checked);

  // How much of each track is heard. With a `mix`, what can be chosen is made of several tracks. With the band the voice keeps its place
  // in the mix, whatever of it is heard.
  function trackGains(s, withBand = playsBand()) {
    const wanted = heard(), gains = Object.fromEntries(TRACKS.map((name) => [name, 0]));
    if (s.mix) return { ...gains, ...mixed(s, wanted) };
    // A chain in the page sees to that itself: setting and match then change together.
    gains[wanted] = wanted === "after" && matches() && !isLive() ? gainOf(s.match_gain_db) : 1;
    if (!s.band) return bandBox ? { ...gains, band: 0 } : gains; // all voices of a player have gains of the same names
    const mix = withBand && s.band.lufs !== null ? band().gains(s.band.mix_lufs, s.band, s.live.channels) : { voice: 1, band: 0 };
    gains[wanted] *= mix.voice;
    return { ...gains, band: mix.band };
  }

  // Of the mix bench: the vocal's gain follows its slider before Python has answered.
  function mixed(s, wanted) {
    const db = hand.valueOf("balance", s.mix.balance_db) - s.mix.balance_db;
    return Object.fromEntries(Object.entries(s.mix.gains[wanted]).map(([name, gain]) => [name, name === "backing" ? gain : gain * gainOf(db)]));
  }

  // ---- the band -------------------------------------------------------------------------------------------------------------------

  const band = () => (state && state.band ? window.vocompBands.of(state.band.id) : null);
  // Whether it is on and everything is there to hear it.
  const hasBand = () => Boolean(band() && state.band.lufs !== null && band().isOn() && band().here() && (isLive() ? band().isShelved(speaker.context()) : band().isDecoded()));
  const playsBand = () => Boolean(voice() && voice().withBand);
  const bandSpec = () => band().spec(state.band.from_s, state.rate);
  // Everything that makes the band sound otherwise than before.
  const bandNow = () => (band() ? [state.band.lufs !== null, band().isOn(), band().balanceDb(), band().shiftS(), band().lufs(), band().trouble()].join("/") : "");
  let bandShown = "", bandMovedHere = false, troubleShown = "";

  // Have the band ready, if it is on. Without it the voice is heard alone; a band that comes late joins in.
  async function prepareBand() {
    if (!band() || !band().isOn()) return;
    try {
      await band().wait();
      if (!band().isOn()) return;
      if (isLive()) await band().shelve(speaker.context());
      else await band().decode();
      if (note.textContent.startsWith(NO_BAND)) note.textContent = "";
    } catch (error) { if (band() && band().isOn()) note.textContent = `${NO_BAND} (${error.message}).`; }
  }

  // The same, without keeping the voice waiting for long.
  function prepareBandSoon() {
    const ready = prepareBand();
    ready.then(joinIn);
    return Promise.race([ready, new Promise((resolve) => setTimeout(resolve, BAND_AWAITED_MS))]);
  }

  // The same tick and balance stand on every bench of the voice; so whichever was moved, this one shows it and sounds by it.
  function followBand() {
    if (!band()) return;
    band().read();
    if (bandNow() === bandShown) return;
    bandShown = bandNow();
    if (!band().isOn() && note.textContent.startsWith(NO_BAND)) note.textContent = "";
    if (bandMovedHere && note.textContent !== band().trouble() && (band().trouble() || note.textContent === troubleShown)) note.textContent = troubleShown = band().trouble();
    showBand();
    choose();
    if (voice()) bandTurned();
  }

  // While it plays, the sound goes over to the one with the band, or back, at the same place.
  async function bandTurned() {
    const turn = speaker.turn();
    await prepareBand();
    if (speaker.isOn(turn)) joinIn();
  }

  function joinIn() {
    if (!voice() || !band()) return;
    followBand(); // so that what is heard is also what was last shown, and its next change is one
    if (isLive()) chain.follow();
    else if (hasBand() !== playsBand() || (playsBand() && voice().bandShiftS !== band().shiftS())) carryOn();
  }

  function showBand() {
    const db = band().balanceDb(), [low, high, step] = state.band.range_lu;
    bandTick.checked = band().isOn();
    Object.assign(balance, { min: low, max: high, step });
    balance.value = db;
    control("balance-text").textContent = `${db < 0 ? "−" : db > 0 ? "+" : ""}${Math.abs(db).toFixed(1)} LU`;
    setOnce(balance, "aria-valuetext", control("balance-text").textContent);
    if (state.band.align_s) showAlign(...state.band.align_s);
  }

  // When the band begins: coarse in seconds and fine in milliseconds. The two stay where a hand has put them, as long as they say when.
  const alignedS = () => Number(coarse.value) + Number(fine.value) / 1000;
  function showAlign(low, high) {
    const shiftS = band().shiftS();
    Object.assign(coarse, { min: Math.floor(low), max: Math.ceil(high), step: 0.1 });
    if (Math.abs(alignedS() - shiftS) > 5e-4) {
      coarse.value = shiftS;
      fine.value = Math.round(1000 * (shiftS - Number(coarse.value)));
    }
    const seconds = (s, digits) => `${s < 0 ? "−" : "+"}${Math.abs(s).toFixed(digits)}`;
    control("align-text").textContent = `= ${seconds(shiftS, 3)} s`;
    setOnce(coarse, "aria-valuetext", `${seconds(Number(coarse.value), 1)} s`);
    setOnce(fine, "aria-valuetext", `${seconds(Number(fine.value), 0)} ms`);
  }

  // ---- making ready ---------------------------------------------------------------------------------------------------------------

  // Have the sound of the newest state ready; false if another one has come meanwhile.
  async function prepare() {
    const s = state;
    if (isLive()) return prepareLive(s);
    if (s.live && !s.after_id) { // it was asked for, and will come with the next state
      lines.tell("wanted", "sound");
      await new Promise((resolve) => setTimeout(resolve, 50));
      return false;
    }
    if (!(await sounds.all(s, () => s === state))) return false;
    await prepareBandSoon();
    return s === state;
  }

  async function prepareLive(s) {
    const context = speaker.context();
    try {
      if (context.sampleRate !== s.rate) throw new Error(`it has no sound at ${s.rate} Hz`);
      await live.open(context);
    } catch (error) {
      giveUpLive(error.message);
      return false;
    }
    if (!(await live.shelve(context, s.clip_id, () => sounds.arrived("clip", s, () => s === state)))) return false;
    await prepareBandSoon();
    return s === state;
  }

  // From now on Python makes the sound.
  function giveUpLive(why) {
    makesSound = false;
    whyNot = why;
    lines.tell("wanted", "sound");
    sayHow();
    setNeedle();
  }

  // The meters show what the page's own chain does.
  const setNeedle = () => needle.set(state, makesSound);

  // Why a moved control is heard late, where that is so.
  function sayHow() {
    const line = control("how");
    if (!line || !state || !state.live || makesSound) return;
    line.textContent = `A moved control is heard after about half a second here, and there are no meters, because the page can't make the sound itself (${whyNot}).`;
  }

  // A control has been moved in the page.
  function movedByHand(field, stop) {
    if (!state || !hand.take(field, stop, stops[field], state.at || {}, state.rate)) return;
    if (isLive()) chain.follow();
    else if (state.mix) choose();
  }

  // ---- playing --------------------------------------------------------------------------------------------------------------------

  // Play the newest result from a place; by default from where the voice that is on will be by then.
  function sound(start = null) {
    if (isLive()) return void chain.start(start).then(keepDrawing);
    const on = voice(), placeAt = (time) => (start === null ? placeIn(on, time) : start) % duration();
    const made = sounds.made(), tracks = Object.fromEntries(TRACKS.map((name) => [name, made[name]])), withBand = hasBand();
    if (withBand) tracks.band = band().cut(state.band.from_s, made[TRACKS[0]].length);
    const source = speaker.buffers(tracks, () => { if (speaker.ended(source)) ended(); });
    Object.assign(speaker.change(placeAt, loop(), source, trackGains(made.state, withBand)), { tracks: made, length: duration(), withBand });
    if (withBand) speaker.voice().bandShiftS = band().shiftS();
  }

  // Go on with the newest result at the same place. A voice that is just coming to its end is left alone.
  function carryOn() {
    const on = voice();
    if (on.loop || loop() || placeIn(on, speaker.now() + NEAR_END_S) < duration()) sound();
  }

  // It has come to its end by itself.
  function ended() {
    speaker.release();
    resting = 0;
    needle.rest();
    show();
  }

  // Back to idle, from waiting or playing.
  function stop() {
    if (!ours()) return;
    resting = position();
    chain.drop();
    speaker.release();
    needle.rest();
    if (note.textContent === WAITING) note.textContent = "";
    show();
  }

  function heldBack() {
    stop();
    speaker.giveUp();
    note.textContent = HELD_BACK;
  }

  async function play() {
    note.textContent = "";
    if (!state) { note.textContent = "The bench is not ready; run its cell first."; return; }
    speaker.setVolume(Number(volume.value));
    const turn = speaker.take(api), isOn = () => speaker.isOn(turn);
    setTimeout(() => { if (isOn() && mode() === "waiting") note.textContent = WAITING; }, WAITING_SHOWN_MS);
    show();
    try {
      const awake = await speaker.wake(state.rate);
      if (!isOn()) return;
      if (!awake) return heldBack();
      while (isOn() && !(await prepare())); // not prepared: another result has come meanwhile
      if (!isOn()) return;
      if (resting >= duration() - 0.01) resting = 0;
      if (isLive()) await chain.start(resting); else sound(resting);
      if (!isOn()) return;
    } catch (error) {
      if (!isOn()) return;
      stop();
      note.textContent = "The sound can't be played in this browser (" + error.message + ").";
      return;
    }
    if (note.textContent === WAITING) note.textContent = "";
    keepDrawing();
  }

  // Gains as they are chosen now.
  function choose() {
    const on = voice();
    if (on) speaker.mix(trackGains(on.tracks ? on.tracks.state : state));
    show();
  }

  function goTo(seconds) {
    resting = Math.min(Math.max(seconds, 0), Math.max(duration() - 0.02, 0));
    if (stretch && (resting < stretch[0] || resting >= stretch[1])) goRound(null);
    if (mode() === "playing" || chain.goingTo() !== null) sound(resting);
    show();
  }

  // Go round in a stretch of the sound, from its start; null goes back to the whole.
  function goRound(seconds) {
    stretch = seconds && [Math.max(seconds[0], 0), Math.min(seconds[1], duration())];
    const menu = control("moments");
    if (menu && !stretch) menu.value = "";
    if (stretch) resting = stretch[0];
    if (mode() === "playing") sound(stretch ? resting : null);
    show();
  }

  async function follow() {
    // Another result while sound is playing: change to it at the same place.
    if (!voice()) return;
    if (isLive()) return chain.follow();
    const turn = speaker.turn();
    if (!(await prepare().catch(() => false)) || !speaker.isOn(turn) || !voice() || voice().tracks === sounds.made()) return;
    carryOn();
  }

  function keepDrawing() {
    show();
    if (!animated) { animated = true; requestAnimationFrame(animate); }
  }

  function animate() {
    show();
    needle.draw();
    animated = mode() === "playing";
    // Some thirty pictures a second are enough to follow, and leave the computer time for the sound.
    if (animated) setTimeout(() => requestAnimationFrame(animate), 20);
  }

  // Called thirty times a second while it plays. Every text that is written makes the browser lay out the page again, so only what
  // has changed is written.
  function show() {
    const playing = mode() === "playing", at = position(), length = duration();
    const label = mode() === "idle" ? "Play" : "Pause"; // while it waits, too: a second click takes back the first
    if (playButton.textContent !== label) playButton.textContent = label;
    setOnce(playButton, "aria-busy", String(mode() === "waiting"));
    if (Number(seek.max) !== (length || 1)) seek.max = length || 1;
    const time = at.toFixed(1) + " / " + length.toFixed(1) + " s";
    if (clock.textContent !== time || !playing) {
      clock.textContent = time;
      if (document.activeElement !== seek || playing) seek.value = at;
      setOnce(seek, "aria-valuetext", at.toFixed(1) + " of " + length.toFixed(1) + " seconds");
    }
    movePlayhead(at);
  }

  function sayVolume() {
    volumeText.textContent = volume.value.replace("-", "−") + " dB";
    volume.setAttribute("aria-valuetext", volumeText.textContent);
  }

  const movePlayhead = (at) => { if (state) playhead.move(find("picture"), state, at); };

  function pictureClicked(event) {
    if (!state) return;
    root.focus({ preventScroll: true });
    const seconds = playhead.clicked(event, state);
    if (seconds !== null) goTo(seconds);
  }

  function nameEverything(s) {
    nameControls(find, s, movedByHand);
    const bench = find("picture") || find("state"), around = bench && bench.closest(".vocomp-bench");
    if (!around) return;
    nameBench(around, find("view"));
    if (!around.dataset.keys) {
      around.dataset.keys = "1";
      around.addEventListener("keydown", keyDown);
      // A click on a text or beside a control gives the player the keys, which else would go to the notebook.
      around.addEventListener("click", ({ target }) => {
        const own = target.closest("button,input,label,textarea,summary,select,a,[tabindex]");
        if (!own || !around.contains(own)) root.focus({ preventScroll: true });
      });
    }
  }

  // Each answer brings a new picture.
  function wirePicture() {
    const picture = find("picture");
    if (picture) {
      setOnce(picture, "alt", state.alt);
      if (!picture.dataset.wired) {
        picture.dataset.wired = "1";
        picture.addEventListener("click", pictureClicked);
      }
    }
  }

  // The player stands in the bench, above its controls, wherever the bench is shown.
  function takePlace() {
    const place = find("transport");
    if (place && root.parentElement !== place) place.appendChild(root);
  }

  // ---- what Python says -----------------------------------------------------------------------------------------------------------

  let stops = {};
  function read() {
    const others = lines.changed("stops");
    if (others) { stops = others; hand.clear(); }
    const fresh = lines.changed("state"), news = lines.changed("news");
    if (fresh) takeState(fresh);
    if (news && state && state.live && news.serial > state.serial) takeNews(news);
    return Boolean(fresh);
  }

  function takeState(fresh) {
    state = { measured: true, ...fresh };
    if (bandBox) {
      bandBox.hidden = !state.band;
      control("align-box").hidden = !(state.band && state.band.align_s);
    }
    if (state.names) nameTracks(state.names);
    hand.settle(state.at || {});
    if (state.live && !makesSound) { lines.tell("wanted", "sound"); sayHow(); }
    for (const part of [root, notes]) part.classList.toggle("vocomp-present", Boolean(state.present));
    setNeedle();
    tellMoments(state.moments || []);
    sounds.renew(state);
    choose();
    follow();
    for (const part of ["python", "json"]) if (control(part)) control(part).value = state[part];
    show();
  }

  // Other names and keys for the tracks, where the next question is about other sounds; one without a name is not offered.
  function nameTracks(names) {
    for (const choice of choices) {
      const [text, key] = names[choice.value], label = choice.parentElement;
      label.lastChild.textContent = text;
      label.hidden = !text;
      choice.dataset.key = key;
    }
    if (choices.find((c) => c.checked).parentElement.hidden) choices[0].checked = true;
    const offered = choices.filter((c) => !c.parentElement.hidden), keys = control("keys");
    keys.replaceChildren(...offered.flatMap((c) => [Object.assign(document.createElement("kbd"), { textContent: c.dataset.key }), " "]));
  }

  // A control has moved: its stage as it is now, and what makes "after" as loud as "before".
  function takeNews({ serial, refused, settings, first, last, moved, at, match_gain_db, measured, band: place }) {
    state.serial = serial;
    if (refused) hand.clear();
    else {
      state.live.stages[moved] = settings;
      Object.assign(state.live, { first, last, moved });
      Object.assign(state, { at, match_gain_db, measured });
      Object.assign(state.band || {}, place);
      hand.settle(at);
    }
    if (isLive()) chain.follow();
  }

  function tellMoments(moments) {
    const menu = control("moments");
    if (!menu || menu.dataset.told === JSON.stringify(moments)) return;
    menu.dataset.told = JSON.stringify(moments);
    // What is gone round in stays in the list, though a move has made other places the deepest.
    const was = menu.value, kept = menu.selectedOptions[0];
    menu.replaceChildren(...[["", "the whole clip"], ...moments.map(({ text, from_s, to_s }) => [`${from_s}/${to_s}`, text])].map(([value, text]) => new Option(text, value)));
    menu.value = was;
    if (menu.value !== was && kept) { menu.add(kept); menu.value = was; }
    menu.closest("label").hidden = !moments.length;
    if (stretch && !moments.length) goRound(null);
  }

  function tick() {
    played(root.isConnected && mode() === "playing" ? heard() : null);
    if (!root.isConnected) {
      stop();
      // Running the cell again leaves this player behind. A page that shows only the cells in sight brings it back.
      if (++away === AWAY_TICKS) sounds.forget();
      return;
    }
    away = 0;
    const news = read();
    if (!state) return;
    if (root.hidden) {
      root.hidden = false;
      const still = output.querySelector(".vocomp-still");
      if (still) still.hidden = true;
    }
    takePlace();
    followBand();
    if (news || ++ticks % 4 === 0) nameEverything(state);
    wirePicture();
    movePlayhead(position()); // the window may have been resized
  }

  async function copy(part, button) {
    const area = control(part);
    try { await navigator.clipboard.writeText(area.value); }
    catch (error) { area.closest("details").open = true; area.select(); document.execCommand("copy"); }
    const copied = control("copied"), said = (copied.textContent = button.textContent.trim() + ": copied.");
    setTimeout(() => { if (copied.textContent === said) copied.textContent = ""; }, 5000);
  }

  // Keys, wherever the focus is in the bench. What is typed into a field is no key.
  function keyDown(event) {
    // Holding a key down counts as one press.
    if (event.repeat && (event.key === "p" || (event.key === "Enter" && event.target === playButton))) return event.preventDefault();
    if (event.defaultPrevented || event.ctrlKey || event.metaKey || event.altKey) return;
    if (event.target.matches("textarea,[contenteditable=true],input:not([type=radio],[type=checkbox],[type=range])")) return;
    const choice = choices.find((c, place) => event.key === (c.dataset.key || String(place + 1)));
    const answer = /^[1-9n]$/.test(event.key) && find("answer-" + event.key); // of a bench that asks
    if (choice && choice.offsetParent) { choice.checked = true; choose(); event.preventDefault(); }
    else if (event.key === "p") { playButton.click(); event.preventDefault(); }
    else if (answer && !event.repeat) { answer.click(); event.preventDefault(); }
  }

  // JupyterLab looks at the focused element first, and would use arrow keys to walk from cell to cell.
  for (const part of [root, notes].flatMap((place) => [...place.querySelectorAll("button,input,summary,textarea,select")])) part.dataset.lmSuppressShortcuts = "true";
  playButton.addEventListener("click", () => (ours() ? stop() : play()));
  for (const choice of choices) choice.addEventListener("change", choose);
  if (matchBox) matchBox.addEventListener("change", () => { choose(); if (isLive()) chain.follow(); });
  if (bandTick) {
    bandTick.addEventListener("change", () => { band().turn(bandTick.checked); followBand(); });
    for (const type of ["input", "change"]) {
      const set = (field, value) => { bandMovedHere = true; band().set(field, value, type === "change"); followBand(); };
      balance.addEventListener(type, () => set("balance_lu", Number(balance.value)));
      for (const slider of [coarse, fine]) slider.addEventListener(type, () => set("shift_s", Math.round(1000 * alignedS()) / 1000));
    }
  }
  way.addEventListener("change", () => {
    speaker.setVolume(Number(volume.value)); // the loudspeaker may not know it before the first Play
    speaker.listen(way.value);
    for (const player of speaker.players) player.showVolume();
  });
  loopBox.addEventListener("change", () => { if (voice()) carryOn(); });
  seek.addEventListener("input", () => goTo(Number(seek.value)));
  if (control("moments")) control("moments").addEventListener("change", ({ target }) => goRound(target.value ? target.value.split("/").map(Number) : null));
  volume.addEventListener("input", () => {
    speaker.setVolume(Number(volume.value));
    for (const player of speaker.players) player.showVolume();
  });
  for (const button of notes.querySelectorAll("[data-part^=copy-]")) button.addEventListener("click", () => copy(button.dataset.part.slice(5), button));
  root.addEventListener("keydown", keyDown);
  // A click beside the controls gives the player the keys as well.
  root.addEventListener("click", (event) => { if (!event.target.closest("button,input,label,textarea,summary,select")) root.focus(); });

  const api = (root.vocomp = {
    stop, heldBack, position, heard, mode, goRound, isLive, needle,
    playing: () => mode() === "playing",
    gains: () => (voice() ? Object.fromEntries(Object.entries(voice().gains).map(([name, node]) => [name, node.gain.value])) : null),
    level: () => (voice() ? speaker.level() : 0),
    showVolume: () => {
      if (speaker.volumeDb() !== null) volume.value = speaker.volumeDb();
      way.value = speaker.way();
      root.toggleAttribute("data-way", way.value !== "as it is"); // then it is in sight on a projector, too
      sayVolume();
    },
  });
  speaker.players.add(api);
  api.showVolume();
  setInterval(tick, 100);
})(document.currentScript && document.currentScript.closest(".vocomp-output") &&
   document.currentScript.closest(".vocomp-output").querySelector(".vocomp-player"), "__ID__");

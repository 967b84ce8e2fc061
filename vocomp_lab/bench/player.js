// The player under a bench. Python puts sound into hidden <audio> elements and everything else into a hidden line of JSON. This script
// plays the tracks from one clock, through the loudspeaker of speaker.js, and switches between them by gain, so no switch moves the
// position. It also names the sliders for screen readers and draws the play position over the picture.
(function (root, id) {
  "use strict";
  if (!root || root.dataset.wired) return;
  root.dataset.wired = "1";
  const WAITING = "Waiting for the sound …", WAITING_SHOWN_MS = 400, NEAR_END_S = 0.1;
  const HELD_BACK = "The browser is holding the sound back: connect headphones or speakers, allow sound for this page, and press Play again.";
  const TRACKS = root.dataset.tracks.split(",");
  const speaker = window.vocompSpeaker;
  const output = root.closest(".vocomp-output") || root;
  // Asked for ten times a second, in a page of thousands of elements.
  const known = {};
  const find = (part) => (known[part] && known[part].isConnected ? known[part] : (known[part] = document.querySelector(`.vocomp-${id}-${part}`)));
  const control = (name) => root.querySelector(`[data-part="${name}"]`);
  const playButton = control("play"), seek = control("seek"), clock = control("clock"), volume = control("volume");
  const volumeText = control("volume-text"), matchBox = control("match"), loopBox = control("loop"), note = control("note");
  const choices = Array.from(root.querySelectorAll('input[type="radio"]'));

  let state = null; // the newest numbers from Python
  let buffers = null; // the decoded tracks by name, and the state they belong to
  let decoding = null;
  let resting = 0; // position while not playing
  let animated = false, ticks = 0;
  let lastStateText = "";

  const setOnce = (element, name, text) => { if (element.getAttribute(name) !== text) element.setAttribute(name, text); };
  const gainOf = (db) => Math.pow(10, db / 20);
  const heard = () => (choices.find((c) => c.checked) || choices[0]).value;
  const duration = () => (buffers ? buffers[TRACKS[0]].duration : state ? state.duration_s : 0);
  const soundOf = (s) => [...TRACKS.map((name) => s[name + "_id"]), s.removed_shares].join("/");
  const ours = () => speaker.owner() === api;
  const voice = () => (ours() ? speaker.voice() : null);
  const mode = () => (voice() ? "playing" : ours() ? "waiting" : "idle");

  function position() {
    const on = voice();
    return on ? placeIn(on, speaker.now()) : resting;
  }

  function placeIn(on, time) {
    const t = Math.max(0, time - on.origin), length = on.tracks[TRACKS[0]].duration;
    return on.loop ? t % length : Math.min(t, length);
  }

  function trackGain(name, s) {
    if (name !== heard()) return 0;
    return name === "after" && matchBox && matchBox.checked ? gainOf(s.match_gain_db) : 1;
  }

  const trackGains = (s) => Object.fromEntries(TRACKS.map((name) => [name, trackGain(name, s)]));

  async function decode(bytes, rate, scale) {
    const buffer = await new OfflineAudioContext(1, 1, rate).decodeAudioData(bytes);
    for (let c = 0; c < buffer.numberOfChannels; c++) {
      const data = buffer.getChannelData(c);
      for (let n = 0; n < data.length; n++) data[n] *= scale;
    }
    return buffer;
  }

  async function fetchSound(part, s) {
    // The new state can arrive a moment before the new sound: wait until there are as many bytes as the state says.
    for (let tries = 0; tries < 100; tries++) {
      const element = find(part);
      if (element && element.src) {
        try {
          const bytes = await (await fetch(element.src)).arrayBuffer();
          if (bytes.byteLength === s[part + "_bytes"]) return decode(bytes, s.rate, s[part + "_scale"]);
        } catch (error) { /* the element was just given another sound; look again */ }
      }
      await new Promise((resolve) => setTimeout(resolve, 50));
      if (s !== state) return null;
    }
    throw new Error("the sound did not arrive");
  }

  function difference(before, after, [ofBefore, ofAfter]) {
    const removed = new AudioBuffer({ length: before.length, numberOfChannels: before.numberOfChannels, sampleRate: before.sampleRate });
    for (let c = 0; c < before.numberOfChannels; c++) {
      const b = before.getChannelData(c), a = after.getChannelData(Math.min(c, after.numberOfChannels - 1)), r = removed.getChannelData(c);
      for (let n = 0; n < r.length; n++) r[n] = ofBefore * b[n] - ofAfter * (a[n] || 0);
    }
    return removed;
  }

  async function prepare() {
    const s = state;
    if (buffers && buffers.state === s) return true;
    if (decoding && decoding.state === s) return decoding.promise;
    const work = (async () => {
      const fresh = { state: s };
      for (const name of TRACKS.filter((track) => track !== "removed")) {
        const known = buffers && buffers.state[name + "_id"] === s[name + "_id"] ? buffers[name] : null;
        fresh[name] = known || (await fetchSound(name, s));
        if (!fresh[name] || s !== state) return false;
      }
      if (TRACKS.includes("removed")) fresh.removed = difference(fresh.before, fresh.after, s.removed_shares);
      buffers = fresh;
      return true;
    })();
    decoding = { state: s, promise: work };
    work.catch(() => { decoding = null; }); // the next Play tries again
    return work;
  }

  // Play the newest result from a place; by default from where the voice that is on will be by then.
  function sound(start = null) {
    const on = voice(), placeAt = (time) => (start === null ? placeIn(on, time) : start) % duration();
    const tracks = Object.fromEntries(TRACKS.map((name) => [name, buffers[name]]));
    const ended = () => { speaker.release(); resting = 0; show(); };
    speaker.change(placeAt, loopBox.checked, tracks, trackGains(buffers.state), ended).tracks = buffers;
  }

  // Go on with the newest result at the same place. A voice that is just coming to its end is left alone.
  function carryOn() {
    const on = voice();
    if (on.loop || loopBox.checked || placeIn(on, speaker.now() + NEAR_END_S) < duration()) sound();
  }

  // Back to idle, from waiting or playing.
  function stop() {
    if (!ours()) return;
    resting = position();
    speaker.release();
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
      const awake = await speaker.wake();
      if (!isOn()) return;
      if (!awake) return heldBack();
      while (isOn() && !(await prepare())); // not prepared: another result has come meanwhile
      if (!isOn()) return;
    } catch (error) {
      if (!isOn()) return;
      stop();
      note.textContent = "The sound can't be played in this browser (" + error.message + ").";
      return;
    }
    if (note.textContent === WAITING) note.textContent = "";
    if (resting >= duration() - 0.01) resting = 0;
    sound(resting);
    show();
    if (!animated) { animated = true; requestAnimationFrame(animate); }
  }

  function choose() {
    const on = voice();
    if (on) speaker.mix(trackGains(on.tracks.state));
    show();
  }

  function goTo(seconds) {
    resting = Math.min(Math.max(seconds, 0), Math.max(duration() - 0.02, 0));
    if (voice()) sound(resting);
    show();
  }

  async function follow() {
    // A control has moved while sound is playing: change to the new result at the same place.
    if (!voice()) return;
    const turn = speaker.turn();
    if (!(await prepare().catch(() => false)) || !speaker.isOn(turn) || !voice() || voice().tracks === buffers) return;
    carryOn();
  }

  function animate() {
    show();
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

  function movePlayhead(at) {
    const picture = find("picture");
    if (!picture || !state || !picture.parentElement) return;
    const holder = picture.parentElement;
    let line = holder.querySelector(":scope > .vocomp-playhead");
    if (!line) {
      line = document.createElement("div");
      line.className = "vocomp-playhead";
      line.setAttribute("aria-hidden", "true");
      line.style.cssText = "position:absolute;left:0;top:0;width:0;border-left:2px solid #CC79A7;pointer-events:none;z-index:2;will-change:transform";
      holder.style.position = "relative";
      holder.appendChild(line);
    }
    const share = (at - state.window[0]) / (state.window[1] - state.window[0]);
    const box = picture.getBoundingClientRect(), frame = holder.getBoundingClientRect();
    const [left, top, right, bottom] = state.time_box;
    const x = left + share * (right - left);
    line.style.display = share >= 0 && share <= 1 && box.width ? "block" : "none";
    line.style.height = (bottom - top) * box.height + "px";
    // Moved by a transform, which needs no new layout.
    line.style.transform = `translate(${box.left - frame.left + x * box.width}px, ${box.top - frame.top + top * box.height}px)`;
  }

  function pictureClicked(event) {
    if (!state) return;
    const box = event.currentTarget.getBoundingClientRect();
    const [left, top, right, bottom] = state.time_box;
    const share = ((event.clientX - box.left) / box.width - left) / (right - left), down = (event.clientY - box.top) / box.height;
    root.focus({ preventScroll: true });
    if (share >= 0 && share <= 1 && down >= top && down <= bottom) goTo(state.window[0] + share * (state.window[1] - state.window[0]));
  }

  // What a screen reader says about a slider: its name, and its value with the unit. The slider itself would say the number of its
  // stop. A readout beside it has the stop's text at once; a typed value is there only after Python has answered.
  function nameSlider(handle, label, unit, typedBox) {
    setOnce(handle, "aria-label", label);
    const slider = handle.closest(".widget-slider, .jupyter-widgets"), readout = slider && slider.querySelector(".widget-readout");
    const say = (text) => setOnce(handle, "aria-valuetext", unit && /[\d∞]/.test(text) ? `${text} ${unit}` : text);
    if (!handle.dataset.named) {
      handle.dataset.named = "1";
      new MutationObserver(() => {
        const now = handle.getAttribute("aria-valuenow");
        if (now === handle.dataset.now) return;
        handle.dataset.now = now;
        if (readout) say(readout.textContent);
      }).observe(handle, { attributes: true, attributeFilter: ["aria-valuenow", "aria-valuetext"] });
      if (readout) say(readout.textContent);
      handle.dataset.now = handle.getAttribute("aria-valuenow");
    }
    if (typedBox && typedBox.value !== handle.dataset.typed && document.activeElement !== typedBox) {
      handle.dataset.typed = typedBox.value;
      say(typedBox.value);
    }
  }

  // The stretch in sight: a slider with two handles, and the two numbers beside it, which can be typed over.
  function nameView(slider) {
    for (const [place, handle] of slider.querySelectorAll(".noUi-handle").entries()) {
      setOnce(handle, "aria-label", ["In sight: start (s)", "In sight: end (s)"][place]);
      setOnce(handle, "aria-valuetext", Number(handle.getAttribute("aria-valuenow")).toFixed(1) + " s");
    }
    const readout = slider.querySelector(".widget-readout");
    if (readout) { setOnce(readout, "role", "textbox"); setOnce(readout, "aria-label", "In sight: start and end (s), typed"); }
  }

  function nameEverything(s) {
    for (const [field, label] of Object.entries(s.labels)) {
      const typed = find("typed-" + field), typedBox = typed && typed.querySelector("input");
      if (typedBox) setOnce(typedBox, "aria-label", label + ", typed");
      const slider = find("slider-" + field), handle = slider && slider.querySelector(".noUi-handle");
      if (handle) nameSlider(handle, label, (s.units || {})[field], typedBox);
    }
    const bench = find("picture") || find("state");
    const around = bench && bench.closest(".vocomp-bench");
    if (around) {
      const view = find("view");
      if (view) nameView(view);
      for (const toggle of around.querySelectorAll("button.widget-toggle-button")) setOnce(toggle, "aria-pressed", String(toggle.classList.contains("mod-active")));
      // JupyterLab would use arrow keys and letters itself, unless the focused element says no.
      for (const part of around.querySelectorAll("select,button,input,[tabindex]")) setOnce(part, "data-lm-suppress-shortcuts", "true");
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

  function tick() {
    if (!root.isConnected) return stop();
    const holder = find("state"), text = holder ? holder.textContent.trim() : "";
    if (!text) return;
    if (root.hidden) {
      root.hidden = false;
      const still = output.querySelector(".vocomp-still");
      if (still) still.hidden = true;
    }
    const news = text !== lastStateText;
    if (news) {
      try { state = JSON.parse(text); } catch (error) { return; }
      lastStateText = text;
      root.classList.toggle("vocomp-present", Boolean(state.present));
      // New numbers for the sound that is already here. They don't apply to a sound that is still on its way.
      if (buffers && soundOf(buffers.state) === soundOf(state)) { buffers.state = state; choose(); }
      follow();
      for (const part of ["python", "json"]) if (control(part)) control(part).value = state[part];
      show();
    }
    if (news || ++ticks % 4 === 0) nameEverything(state);
    wirePicture();
    movePlayhead(position()); // the window may have been resized
  }

  async function copy(part, button) {
    const area = control(part);
    try { await navigator.clipboard.writeText(area.value); }
    catch (error) { area.closest("details").open = true; area.select(); document.execCommand("copy"); }
    const said = (note.textContent = button.textContent.trim() + ": copied.");
    setTimeout(() => { if (note.textContent === said) note.textContent = ""; }, 5000);
  }

  // JupyterLab looks at the focused element first, and would use arrow keys to walk from cell to cell.
  for (const part of root.querySelectorAll("button,input,summary,textarea")) part.dataset.lmSuppressShortcuts = "true";
  playButton.addEventListener("click", () => (ours() ? stop() : play()));
  for (const choice of choices) choice.addEventListener("change", choose);
  if (matchBox) matchBox.addEventListener("change", choose);
  loopBox.addEventListener("change", () => { if (voice()) carryOn(); });
  seek.addEventListener("input", () => goTo(Number(seek.value)));
  volume.addEventListener("input", () => {
    speaker.setVolume(Number(volume.value));
    for (const player of speaker.players) player.showVolume();
  });
  for (const button of root.querySelectorAll("[data-part^=copy-]")) button.addEventListener("click", () => copy(button.dataset.part.slice(5), button));
  root.addEventListener("keydown", (event) => {
    // Holding a key down counts as one press.
    if (event.repeat && (event.key === "p" || (event.key === "Enter" && event.target === playButton))) return event.preventDefault();
    if (event.target.tagName === "TEXTAREA" || event.ctrlKey || event.metaKey || event.altKey) return;
    const choice = choices.find((c, place) => event.key === (c.dataset.key || String(place + 1)));
    if (choice && choice.offsetParent) { choice.checked = true; choose(); event.preventDefault(); }
    else if (event.key === "p") { playButton.click(); event.preventDefault(); }
  });
  // A click beside the controls gives the player the keys as well.
  root.addEventListener("click", (event) => { if (!event.target.closest("button,input,label,textarea,summary")) root.focus(); });

  const api = (root.vocomp = {
    stop, heldBack, position, heard, mode,
    playing: () => mode() === "playing",
    gains: () => (voice() ? Object.fromEntries(TRACKS.map((n) => [n, voice().gains[n].gain.value])) : null),
    level: () => (voice() ? speaker.level() : 0),
    showVolume: () => { volume.value = speaker.volumeDb(); sayVolume(); },
  });
  speaker.players.add(api);
  if (speaker.volumeDb() !== null) api.showVolume(); else sayVolume();
  // Running the cell again leaves this player behind, disconnected. It falls silent (see tick) and goes with its page.
  setInterval(tick, 100);
})(document.currentScript && document.currentScript.closest(".vocomp-output") &&
   document.currentScript.closest(".vocomp-output").querySelector(".vocomp-player"), "__ID__");

// The player under a bench. Python puts the sound into hidden <audio> elements and the numbers into a hidden line of JSON;
// this script plays "before", "after" and "removed" (or the tracks that the page names) from one clock and switches between
// them by gain, so that no switch moves the position. It also names the sliders for screen readers and draws the play position over the picture.
(function (root, id) {
  "use strict";
  if (!root || root.dataset.wired) return;
  root.dataset.wired = "1";
  const SWITCH_S = 0.012; // a cross-fade this long clicks in no ear and is over before one notices
  const AHEAD_S = 0.04;
  const TRACKS = (root.dataset.tracks || "before,after,removed").split(",");
  const shared = (window.vocompShared = window.vocompShared || { volumeDb: null, players: new Set(), context: null });
  const output = root.closest(".vocomp-output") || root;
  const find = (part) => document.querySelector(`.vocomp-${id}-${part}`);
  const control = (name) => root.querySelector(`[data-part="${name}"]`);
  const playButton = control("play"), seek = control("seek"), clock = control("clock"), volume = control("volume");
  const volumeText = control("volume-text"), matchBox = control("match"), loopBox = control("loop"), note = control("note");
  const choices = Array.from(root.querySelectorAll('input[type="radio"]'));

  let state = null; // the newest numbers from Python
  let buffers = null; // the decoded tracks by name, and the state they belong to
  let decoding = null;
  let sources = null; // what is playing now
  let origin = 0; // context time of position 0
  let resting = 0; // position while not playing
  let lastStateText = "", lastSound = "";

  const context = () => (shared.context = shared.context || new AudioContext());
  const gainOf = (db) => Math.pow(10, db / 20);
  const heard = () => (choices.find((c) => c.checked) || choices[0]).value;
  const duration = () => (buffers ? buffers[TRACKS[0]].duration : state ? state.duration_s : 0);

  function position() {
    if (!sources) return resting;
    const t = Math.max(0, context().currentTime - origin);
    return loopBox.checked ? t % duration() : Math.min(t, duration());
  }

  function trackGain(name, s) {
    if (name !== heard()) return 0;
    return name === "after" && matchBox && matchBox.checked ? gainOf(s.match_gain_db) : 1;
  }

  async function decode(bytes, rate, scale) {
    const buffer = await new OfflineAudioContext(1, 1, rate).decodeAudioData(bytes);
    for (let c = 0; c < buffer.numberOfChannels; c++) {
      const data = buffer.getChannelData(c);
      for (let n = 0; n < data.length; n++) data[n] *= scale;
    }
    return buffer;
  }

  async function fetchSound(part, s) {
    // The new state can overtake the new sound by a moment: wait until the bytes are those that the state counted.
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
    return work;
  }

  function begin(at) {
    const ctx = context();
    const when = ctx.currentTime + AHEAD_S;
    const fresh = { nodes: {}, gains: {}, master: ctx.createGain(), meter: ctx.createAnalyser() };
    fresh.master.gain.value = gainOf(Number(volume.value));
    fresh.master.connect(fresh.meter);
    fresh.meter.connect(ctx.destination);
    origin = when - at;
    for (const name of TRACKS) {
      const node = ctx.createBufferSource(), gain = ctx.createGain();
      node.buffer = buffers[name];
      node.loop = loopBox.checked;
      gain.gain.setValueAtTime(0, ctx.currentTime);
      gain.gain.setValueAtTime(0, when);
      gain.gain.linearRampToValueAtTime(trackGain(name, buffers.state), when + SWITCH_S);
      node.connect(gain);
      gain.connect(fresh.master);
      node.start(when, at % duration());
      fresh.nodes[name] = node;
      fresh.gains[name] = gain;
    }
    fresh.nodes[TRACKS[0]].onended = () => { if (sources === fresh) { stop(); resting = 0; show(); } };
    fresh.state = buffers.state;
    return fresh;
  }

  function fadeAndStop(old) {
    const ctx = context(), now = ctx.currentTime;
    for (const name of TRACKS) {
      const g = old.gains[name].gain;
      g.cancelScheduledValues(now);
      g.setValueAtTime(g.value, now);
      g.setValueAtTime(g.value, now + AHEAD_S);
      g.linearRampToValueAtTime(0, now + AHEAD_S + SWITCH_S);
      old.nodes[name].onended = null;
      old.nodes[name].stop(now + AHEAD_S + 2 * SWITCH_S);
    }
  }

  function stop() {
    if (!sources) return;
    resting = position();
    fadeAndStop(sources);
    sources = null;
    show();
  }

  async function play() {
    note.textContent = "";
    if (!state) { note.textContent = "The bench is not ready; run its cell first."; return; }
    for (const other of shared.players) if (other !== api) other.stop();
    try {
      await context().resume();
      if (!(await prepare())) return play();
    } catch (error) {
      note.textContent = "The sound can't be played in this browser (" + error.message + ").";
      return;
    }
    if (resting >= duration() - 0.01) resting = 0;
    sources = begin(resting);
    show();
    requestAnimationFrame(animate);
  }

  function choose() {
    if (sources) {
      const now = context().currentTime;
      for (const name of TRACKS) {
        const g = sources.gains[name].gain;
        g.cancelScheduledValues(now);
        g.setValueAtTime(g.value, now);
        g.linearRampToValueAtTime(trackGain(name, sources.state), now + SWITCH_S);
      }
    }
    show();
  }

  function goTo(seconds) {
    resting = Math.min(Math.max(seconds, 0), Math.max(duration() - 0.02, 0));
    if (sources) {
      const old = sources;
      sources = begin(resting);
      fadeAndStop(old);
    }
    show();
  }

  async function follow() {
    // A control has moved while sound is playing: go over to the new result at the same place.
    if (!sources || !(await prepare().catch(() => false)) || !sources || sources.state === buffers.state) return;
    const old = sources, at = position() + AHEAD_S;
    sources = begin(loopBox.checked ? at % duration() : at);
    fadeAndStop(old);
  }

  function animate() {
    show();
    if (sources) requestAnimationFrame(animate);
  }

  function show() {
    const playing = Boolean(sources), at = position(), length = duration();
    playButton.textContent = playing ? "Pause" : "Play";
    seek.max = length || 1;
    if (document.activeElement !== seek || playing) seek.value = at;
    seek.setAttribute("aria-valuetext", at.toFixed(1) + " of " + length.toFixed(1) + " seconds");
    clock.textContent = at.toFixed(1) + " / " + length.toFixed(1) + " s";
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
      line.style.cssText = "position:absolute;width:0;border-left:2px solid #CC79A7;pointer-events:none;z-index:2";
      holder.style.position = "relative";
      holder.appendChild(line);
    }
    const share = (at - state.window[0]) / (state.window[1] - state.window[0]);
    const box = picture.getBoundingClientRect(), frame = holder.getBoundingClientRect();
    const [left, top, right, bottom] = state.time_box;
    const x = left + share * (right - left);
    line.style.display = share >= 0 && share <= 1 && box.width ? "block" : "none";
    line.style.left = box.left - frame.left + x * box.width + "px";
    line.style.top = box.top - frame.top + top * box.height + "px";
    line.style.height = (bottom - top) * box.height + "px";
  }

  function pictureClicked(event) {
    if (!state) return;
    const box = event.currentTarget.getBoundingClientRect();
    const [left, top, right, bottom] = state.time_box;
    const share = ((event.clientX - box.left) / box.width - left) / (right - left), down = (event.clientY - box.top) / box.height;
    root.focus({ preventScroll: true });
    if (share >= 0 && share <= 1 && down >= top && down <= bottom) goTo(state.window[0] + share * (state.window[1] - state.window[0]));
  }

  const setOnce = (element, name, text) => { if (element.getAttribute(name) !== text) element.setAttribute(name, text); };

  // What a screen reader says of a slider: its name, and its value with the unit. The slider itself would say the number of
  // its stop; the text of the stop stands in a readout beside it at once, what was typed only after Python has answered.
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
      // JupyterLab would take arrow keys and letters for its own, unless the element in focus says no.
      for (const part of around.querySelectorAll("select,button,input,[tabindex]")) part.dataset.lmSuppressShortcuts = "true";
    }
    const picture = find("picture");
    if (picture) {
      picture.alt = s.alt;
      if (!picture.dataset.wired) {
        picture.dataset.wired = "1";
        picture.addEventListener("click", pictureClicked);
      }
    }
  }

  function tick() {
    if (!root.isConnected) { if (!sources) return; stop(); return; }
    const holder = find("state"), text = holder ? holder.textContent.trim() : "";
    if (!text) return;
    if (root.hidden) {
      root.hidden = false;
      const still = output.querySelector(".vocomp-still");
      if (still) still.hidden = true;
    }
    if (text !== lastStateText) {
      try { state = JSON.parse(text); } catch (error) { return; }
      lastStateText = text;
      root.classList.toggle("vocomp-present", Boolean(state.present));
      const sound = TRACKS.map((name) => state[name + "_id"]).join("/");
      if (sound !== lastSound) { lastSound = sound; follow(); }
      else if (buffers) { buffers.state = state; if (sources) sources.state = state; choose(); }
      for (const part of ["python", "json"]) if (control(part)) control(part).value = state[part];
      show();
    }
    nameEverything(state);
    movePlayhead(position()); // the window may have been resized
  }

  async function copy(part, button) {
    const area = control(part);
    try { await navigator.clipboard.writeText(area.value); }
    catch (error) { area.closest("details").open = true; area.select(); document.execCommand("copy"); }
    const said = (note.textContent = button.textContent.trim() + ": copied.");
    setTimeout(() => { if (note.textContent === said) note.textContent = ""; }, 5000);
  }

  // JupyterLab looks at what has the focus first, and would take arrow keys to walk from cell to cell.
  for (const part of root.querySelectorAll("button,input,summary,textarea")) part.dataset.lmSuppressShortcuts = "true";
  playButton.addEventListener("click", () => (sources ? stop() : play()));
  for (const choice of choices) choice.addEventListener("change", choose);
  if (matchBox) matchBox.addEventListener("change", choose);
  loopBox.addEventListener("change", () => { if (sources) goTo(position()); });
  seek.addEventListener("input", () => goTo(Number(seek.value)));
  volume.addEventListener("input", () => {
    shared.volumeDb = Number(volume.value);
    sayVolume();
    for (const player of shared.players) player.takeVolume();
  });
  for (const button of root.querySelectorAll("[data-part^=copy-]")) button.addEventListener("click", () => copy(button.dataset.part.slice(5), button));
  root.addEventListener("keydown", (event) => {
    if (event.target.tagName === "TEXTAREA" || event.ctrlKey || event.metaKey || event.altKey) return;
    const choice = choices.find((c, place) => event.key === (c.dataset.key || String(place + 1)));
    if (choice && choice.offsetParent) { choice.checked = true; choose(); event.preventDefault(); }
    else if (event.key === "p") { playButton.click(); event.preventDefault(); }
  });
  // A click beside the controls gives the player the keys, too.
  root.addEventListener("click", (event) => { if (!event.target.closest("button,input,label,textarea,summary")) root.focus(); });

  const api = (root.vocomp = {
    stop, position, heard,
    playing: () => Boolean(sources),
    gains: () => (sources ? Object.fromEntries(TRACKS.map((n) => [n, sources.gains[n].gain.value])) : null),
    level: () => {
      if (!sources) return 0;
      const data = new Float32Array(sources.meter.fftSize);
      sources.meter.getFloatTimeDomainData(data);
      return Math.sqrt(data.reduce((sum, x) => sum + x * x, 0) / data.length);
    },
    takeVolume: () => {
      volume.value = shared.volumeDb;
      sayVolume();
      if (sources) sources.master.gain.setTargetAtTime(gainOf(shared.volumeDb), context().currentTime, 0.01);
    },
  });
  shared.players.add(api);
  if (shared.volumeDb !== null) api.takeVolume(); else sayVolume();
  // A re-run cell leaves this player behind, disconnected: it falls silent (see tick) and goes with its page.
  setInterval(tick, 100);
})(document.currentScript && document.currentScript.closest(".vocomp-output") &&
   document.currentScript.closest(".vocomp-output").querySelector(".vocomp-player"), "__ID__");

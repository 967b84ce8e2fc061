// Records the microphone in the page. An audio worklet delivers every sample of it; what is recorded is kept here, and handed over to
// Python in pieces (pieces.js) meanwhile, until Python has made a file of it or the singer gives it up. So a kernel that is busy or gone
// loses nothing, and neither does running the cell again: the take then goes over to the new box. Python's answers are a hidden line.
//
// The microphone has an audio context of its own, at its own rate. The count-in, the band and the take that is listened to sound in it
// as well, so that they share the recording's clock. All of them first take the page's loudspeaker (speaker.js), as a player does.
(function (root, id) {
  "use strict";
  if (!root || root.dataset.wired) return;
  root.dataset.wired = "1";
  const set = JSON.parse(root.dataset.set), speaker = window.vocompSpeaker;
  // Every take of this page that is neither kept nor given up, by its token.
  const takes = (window.vocompTakes = window.vocompTakes || new Map());
  const FLOOR_DB = -60, HOLD_MS = 3000, TOLD_MS = 2000, SWITCH_S = 0.012, SOON_S = 0.15, COUNT = 4;
  const BUSY_MS = 3000, GONE_MS = 1000 * set.gone_s, LEFT_MS = 8000, CLIPPED_RUN = 3, FULL_SCALE = 1 - 1.5 / 32768, LOW_RATE_HZ = 32000, LOUDER = 2;
  const PROCESSORS = {
    echoCancellation: "echo cancelling", noiseSuppression: "noise suppression", autoGainControl: "automatic gain control",
    voiceIsolation: "voice isolation",
  };
  const control = (name) => root.querySelector(`[data-part="${name}"]`);
  const find = (part) => document.querySelector(`.vocomp-${id}-${part}`);
  const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
  const gainOf = (db) => Math.pow(10, db / 20), dbOf = (gain) => (gain > 0 ? 20 * Math.log10(gain) : -Infinity);
  const number = (value, digits) => value.toFixed(digits).replace("-", "−");
  const list = (words) => (words.length > 1 ? `${words.slice(0, -1).join(", ")} and ${words.at(-1)}` : words[0]);
  const upper = (text) => text.replace(/^./, (letter) => letter.toUpperCase());
  const write = (name, text) => { const part = control(name); if (part.textContent !== text) part.textContent = text; };
  const say = (text) => write("note", text);
  const hide = (name, hidden) => { control(name).hidden = hidden; };

  const bar = root.querySelector(".bar"), hold = root.querySelector(".hold"), meter = control("meter"), volume = control("volume");
  const recordButton = control("record"), listenButton = control("listen"), device = control("device"), channel = control("channel");

  let state = null, stateText = "";
  let inbox = null, posting = false, waitingSince = 0, stuck = "", farewell = "";
  let mode = "off"; // off, opening, on (the meter runs), getting (the band is fetched), recording (with its count-in), listening
  let context = null, stream = null, track = null, source = null, capture = null;
  let channels = 1, chosen = false; // chosen: by the singer, not by the louder input
  let take = null, start = 0, one = 0; // context times of the take's first sample and of the first beat after the count-in
  let sounding = null; // what this box lets be heard: its nodes and their gain
  let listened = null, band = null; // decoded: the take that Python has, the band
  let peaks = [], runs = [0, 0], cutOffAt = 0, toldAt = 0, noticed = null;

  // ---- the microphone ----------------------------------------------------------------------------------------------

  const why = (() => {
    if (!window.isSecureContext || !navigator.mediaDevices || !navigator.mediaDevices.getUserMedia) {
      return "A browser only lets a page record at an address that begins with https, or on this computer (localhost): open the workbook there to record; everything else works here too.";
    }
    if (!window.AudioWorkletNode) return "This browser can't record without loss, because it has no audio worklets: take a newer one to record; everything else works here too.";
    return "";
  })();

  function whyNot(error) {
    const lost = "No microphone was found: plug one in, and turn it on here again.";
    return {
      NotAllowedError: "The browser doesn't let this page use the microphone: allow it in the address bar (or in the computer's privacy settings), and turn it on here again.",
      SecurityError: "The browser doesn't let this page use the microphone: allow it in the address bar (or in the computer's privacy settings), and turn it on here again.",
      NotFoundError: lost, DevicesNotFoundError: lost,
      OverconstrainedError: "That microphone is no longer there: choose another one.",
      NotReadableError: "The microphone can't be opened, probably because another program is using it: close that program, and turn it on here again.",
    }[error.name] || `The microphone can't be opened (${(error.message || error.name).replace(/\.$/, "")}): choose another one, or turn it on here again.`;
  }

  const CAPTURE = `registerProcessor("vocomp-microphone", class extends AudioWorkletProcessor {
    constructor() { super(); this.rest(); }
    rest() { this.blocks = []; this.filled = 0; }
    process([input]) {
      if (input.length) {
        if (!this.filled || this.blocks.length !== input.length) { this.rest(); this.from = currentFrame; this.blocks = input.map(() => new Float32Array(1024)); }
        input.forEach((samples, c) => this.blocks[c].set(samples, this.filled));
        this.filled += input[0].length;
        if (this.filled === 1024) {
          this.port.postMessage({ from: this.from, blocks: this.blocks }, this.blocks.map((block) => block.buffer));
          this.rest();
        }
      }
      return true;
    }
  })`;

  // The context of this box, at the microphone's rate where the browser tells it.
  async function clock(rate) {
    if (context && context.state !== "closed" && (!rate || context.sampleRate === rate)) return context.resume().then(() => context);
    if (context) context.close().catch(() => {});
    const fresh = (context = rate ? new AudioContext({ sampleRate: rate }) : new AudioContext());
    band = listened = null;
    const url = URL.createObjectURL(new Blob([CAPTURE], { type: "text/javascript" }));
    try { await fresh.audioWorklet.addModule(url); } finally { URL.revokeObjectURL(url); }
    fresh.onstatechange = () => {
      if (context === fresh && fresh.state !== "running" && mode === "recording") finish("The computer's sound was interrupted, and the take ends there.");
    };
    await fresh.resume();
    return fresh;
  }

  async function open() {
    if (mode !== "off" && mode !== "on") return;
    close();
    mode = "opening";
    say("Waiting for the microphone: the browser may ask you to allow it.");
    show();
    let fresh = null;
    try {
      const wanted = { channelCount: { ideal: 2 } };
      for (const name of Object.keys(PROCESSORS)) wanted[name] = false;
      if (device.value) wanted.deviceId = { exact: device.value };
      fresh = await navigator.mediaDevices.getUserMedia({ audio: wanted });
      const now = fresh.getAudioTracks()[0], settings = now.getSettings();
      await clock(settings.sampleRate);
      if (mode !== "opening" || !root.isConnected) throw new DOMException("it was turned off meanwhile", "AbortError");
      stream = fresh;
      track = now;
      channels = Math.min(settings.channelCount || 1, 2);
      source = context.createMediaStreamSource(stream);
      capture = new AudioWorkletNode(context, "vocomp-microphone");
      capture.port.onmessage = ({ data }) => arrived(data);
      capture.onprocessorerror = () => finish("The browser has stopped recording, and the take ends there.");
      source.connect(capture);
      capture.connect(context.destination); // silent: a node that leads nowhere may not run
      track.onended = gone;
      tellProcessing(settings);
      await listDevices(settings.deviceId);
      mode = "on";
      say(set.plan.length ? "Press Record. It takes " + set.plan.reduce((sum, [, seconds]) => sum + seconds, 0) + " seconds." :
        "Sing your loudest words, and turn the input until the marker stays in the frame. Then press Record.");
    } catch (error) {
      if (fresh) for (const each of fresh.getTracks()) each.stop();
      if (mode === "opening") { mode = "off"; say(whyNot(error)); }
    }
    show();
  }

  function close() {
    if (mode === "recording") finish("");
    if (track) track.onended = null;
    if (stream) for (const each of stream.getTracks()) each.stop();
    if (capture) { capture.port.onmessage = null; capture.disconnect(); source.disconnect(); }
    stream = track = source = capture = null;
    peaks = [];
    runs = [0, 0];
    chosen = false;
    if (mode !== "listening") mode = "off";
    show();
  }

  function gone() {
    const text = "The microphone has gone: plug it in, and turn it on here again.";
    if (mode === "recording") finish("The microphone went away, and the take ends there.");
    close();
    if (!take) say(text);
  }

  async function listDevices(current) {
    const found = (await navigator.mediaDevices.enumerateDevices()).filter((each) => each.kind === "audioinput" && each.deviceId);
    device.replaceChildren(...found.map((each, place) => new Option(each.label || `Microphone ${place + 1}`, each.deviceId)));
    device.value = current || "";
    if (device.selectedIndex < 0 && found.length) device.selectedIndex = 0;
  }

  function tellProcessing(settings) {
    const on = Object.keys(PROCESSORS).filter((name) => settings[name]).map((name) => PROCESSORS[name]);
    const unsaid = Object.keys(PROCESSORS).slice(0, 3).filter((name) => settings[name] === undefined).map((name) => PROCESSORS[name]);
    const texts = ["Echo cancelling, noise suppression and automatic gain control are dynamics processors: they would change your levels."];
    if (on.length) texts.push(`▸ ${upper(list(on))} can't be turned off here, so the levels you record aren't the ones you sing: try another browser or microphone.`);
    if (unsaid.length) texts.push(`– This browser doesn't say whether ${list(unsaid)} ${unsaid.length > 1 ? "are" : "is"} off: listen for a voice that swells, or for words that are cut short.`);
    if (!on.length && !unsaid.length) texts.push("✓ All three are off.");
    if (settings.sampleRate && settings.sampleRate < LOW_RATE_HZ) {
      texts.push(`▸ This microphone sends only ${settings.sampleRate / 1000} kHz, as wireless headsets do, so the highs are missing: use one with a cable.`);
    }
    write("processing", texts.join(" "));
    control("processing").classList.toggle("wrong", on.length > 0);
  }

  // ---- the meter ---------------------------------------------------------------------------------------------------

  function arrived({ from, blocks }) {
    channels = blocks.length;
    const now = Date.now();
    const found = blocks.slice(0, 2).map((samples, c) => {
      let most = 0;
      for (let n = 0; n < samples.length; n++) {
        const size = Math.abs(samples[n]);
        if (size > most) most = size;
        runs[c] = size >= FULL_SCALE ? runs[c] + 1 : 0;
        if (runs[c] >= CLIPPED_RUN && c === used()) cutOffAt = now;
      }
      return most;
    });
    peaks.push([now, found]);
    while (peaks[0][0] < now - HOLD_MS) peaks.shift();
    const waiting = mode === "on" || (mode === "recording" && !take.frames);
    if (channels > 1 && !chosen && waiting && held(1 - used()) > LOUDER * held(used())) channel.value = String(1 - used());
    if (mode === "recording") add(from, blocks);
  }

  const used = () => Number(channel.value);
  const held = (c) => Math.max(0, ...peaks.map(([, found]) => found[Math.min(c, found.length - 1)]));

  function word(db) {
    if (Date.now() - cutOffAt < HOLD_MS) return "too loud, cut off";
    return db > set.high_db ? "too loud" : db >= set.low_db ? "good" : db >= set.quiet_db ? "a little quiet" : "too quiet";
  }

  function moveMeter() {
    const share = (db) => Math.min(Math.max((db - FLOOR_DB) / -FLOOR_DB, 0), 1);
    const last = peaks.at(-1), now = last ? dbOf(last[1][Math.min(used(), last[1].length - 1)]) : -Infinity, most = dbOf(held(used()));
    bar.style.transform = `scaleX(${share(now)})`;
    hold.style.left = 100 * share(most) + "%";
    const text = most < -90 ? "no sound comes in" : `peak ${number(most, 1)} dBFS: ${word(most)}`;
    write("level", text);
    if (Date.now() - toldAt > TOLD_MS) { // a screen reader would chatter
      toldAt = Date.now();
      meter.setAttribute("aria-valuenow", Math.round(Math.min(Math.max(most, FLOOR_DB), 0)));
      meter.setAttribute("aria-valuetext", text);
    }
  }

  // ---- what sounds here --------------------------------------------------------------------------------------------

  // The nodes sound from their times on, through a gain that follows the slider, until hush().
  function sound(nodes) {
    const gain = context.createGain();
    gain.gain.value = gainOf(Number(volume.value));
    gain.connect(context.destination);
    for (const node of nodes) node.connect(gain);
    sounding = { nodes, gain };
  }

  function hush() {
    if (!sounding) return;
    const { nodes, gain } = sounding, now = context.currentTime;
    sounding = null;
    if (context.state === "running") gain.gain.setTargetAtTime(0, now, SWITCH_S / 3);
    for (const node of nodes) { node.onended = null; try { (node.ends || node).stop(now + 3 * SWITCH_S); } catch (error) { /* it is over */ } }
    setTimeout(() => gain.disconnect(), 200);
  }

  function click(at) {
    const tone = context.createOscillator(), shape = context.createGain();
    tone.frequency.value = 1000;
    shape.gain.setValueAtTime(0, at);
    shape.gain.linearRampToValueAtTime(0.25, at + 0.003);
    shape.gain.setTargetAtTime(0, at + 0.01, 0.012);
    tone.connect(shape);
    tone.start(at);
    tone.stop(at + 0.12);
    shape.ends = tone;
    return shape;
  }

  function player(buffer, at) {
    const node = context.createBufferSource();
    node.buffer = buffer;
    node.start(at);
    return node;
  }

  const api = {
    stop() {
      if (mode === "recording") finish("Another player was started, and the take ends there.");
      else if (mode === "listening") stopListening();
      else if (mode === "getting") { mode = "on"; say(""); show(); }
    },
    heldBack() { api.stop(); },
    showVolume() { if (speaker.volumeDb() !== null) { volume.value = speaker.volumeDb(); sayVolume(); } },
    mode: () => mode, take: () => take, stream: () => stream,
  };
  const release = () => { if (speaker.owner() === api) speaker.release(); };

  // A sound that Python puts into a hidden element: as many bytes as its answer says.
  async function fetched(part) {
    const answer = await ask(part === "band" ? "band" : "hear");
    const sent = answer && answer[part];
    for (let tries = 0; sent && tries < 200; tries++) {
      const element = find(part);
      if (element && element.src) {
        try {
          const bytes = await (await fetch(element.src)).arrayBuffer();
          if (bytes.byteLength === sent.bytes) return await context.decodeAudioData(bytes);
        } catch (error) { /* the element was just given another sound; look again */ }
      }
      await wait(50);
    }
    throw new Error("the sound did not arrive");
  }

  // ---- recording ---------------------------------------------------------------------------------------------------

  async function record() {
    if (mode !== "on" || take) return;
    const withBand = !set.plan.length && control("band").checked, withClicks = !set.plan.length && control("clicks").checked;
    mode = "getting";
    speaker.setVolume(Number(volume.value));
    const turn = speaker.take(api);
    if (withBand && !band) say("Fetching the band …");
    show();
    try {
      await clock(context.sampleRate);
      if (withBand) band = band || (await fetched("band"));
    } catch (error) {
      if (mode === "getting") { mode = "on"; release(); say(`The band can't be fetched (${error.message}): the kernel may be busy or gone; untick it to record without.`); show(); }
      return;
    }
    if (mode !== "getting" || !speaker.isOn(turn)) return;
    const first = context.currentTime + SOON_S, rate = context.sampleRate;
    one = first + (set.plan.length ? 0 : COUNT * set.beat_s);
    // The band begins before its first bar. Without it, the take begins half a beat early, for words that do.
    const began = (start = set.plan.length ? first : one - (withBand ? set.lead_in_beats : 0.5) * set.beat_s);
    // What is sung to a sound comes in later by the way through the device and back, as far as the browser knows it.
    const settings = track.getSettings();
    const late = withBand || withClicks ? (context.outputLatency || 0) + (context.baseLatency || 0) + (settings.latency || 0) : 0;
    const nodes = withClicks ? Array.from({ length: COUNT }, (_, beat) => click(first + beat * set.beat_s)) : [];
    if (withBand) nodes.push(player(band, began));
    sound(nodes);
    take = {
      token: newToken(), rate, first: Math.round((start + late) * rate), frames: 0, chunks: [],
      // Whoever presses Record before singing a note may have the microphone on the other input: both are recorded, and the louder stays.
      inputs: Array.from({ length: chosen ? 1 : channels }, () => ({ chunks: [], peak: 0 })),
      most: Math.min(set.longest_s * rate, set.most_frames), ended: false, wanted: "", root, keeps: set.keeps, started: stamp(),
    };
    if (set.plan.length) take.most = Math.min(take.most, Math.round(rate * set.plan.reduce((sum, [, seconds]) => sum + seconds, 0)));
    takes.set(take.token, take);
    listened = null;
    cutOffAt = 0;
    stuck = "";
    mode = "recording";
    say(set.plan.length ? set.plan[0][0] + "." : "Count-in: four beats, then sing.");
    show();
    post();
  }

  const newToken = () => Math.random().toString(16).slice(2, 14) || "0";

  // The time by the clock of the student's own computer.
  function stamp() {
    const now = new Date();
    return new Date(now.getTime() - 60000 * now.getTimezoneOffset()).toISOString().slice(0, 19);
  }

  function add(from, blocks) {
    const length = blocks[0].length;
    let at = Math.max(0, Math.min(length, take.first - from));
    const end = Math.min(length, at + take.most - take.frames);
    while (at < end) {
      const filled = take.frames % set.piece_frames, count = Math.min(end - at, set.piece_frames - filled);
      for (const [n, input] of take.inputs.entries()) {
        const samples = blocks[Math.min(take.inputs.length > 1 ? n : used(), blocks.length - 1)].subarray(at, at + count);
        if (!filled) input.chunks.push(new Float32Array(set.piece_frames));
        input.chunks.at(-1).set(samples, filled);
        input.peak = samples.reduce((most, sample) => Math.max(most, Math.abs(sample)), input.peak);
      }
      take.chunks = take.inputs[Math.min(used(), take.inputs.length - 1)].chunks;
      take.frames += count;
      at += count;
      if (take.frames % set.piece_frames === 0) post();
    }
    if (take.frames >= take.most) {
      finish(set.plan.length ? "" : `The take ends here: ${Math.floor(take.most / take.rate / 60)} minutes are the most that the workbook takes.`);
    }
  }

  // The end of a take, by the singer or by what happened. What was recorded until then is kept.
  function finish(why) {
    if (mode !== "recording") return;
    const here = document.activeElement === recordButton;
    mode = "on";
    hush();
    release();
    if (take.frames) {
      takeLouder();
      take.ended = true;
      say([why, `Recorded: ${number(take.frames / take.rate, 1)} s.`, set.keeps ? "Listen to it; then keep it, or sing it again." : ""].filter(Boolean).join(" "));
      post();
    } else {
      takes.delete(take.token);
      take = null;
      say(why || "Stopped before the take began.");
    }
    show();
    if (take && here) listenButton.focus(); // where the next step is, now that this button rests
  }

  // The louder of two inputs, if the singer has chosen none. It goes to Python as another take, from its start.
  function takeLouder() {
    const [mine, other] = [used(), 1 - used()].map((c) => take.inputs[c]);
    if (take.inputs.length > 1 && other.peak > LOUDER * mine.peak) {
      takes.delete(take.token);
      take.token = newToken();
      takes.set(take.token, take);
      take.chunks = other.chunks;
      channel.value = String(1 - used());
    }
    take.inputs = [];
  }

  // ---- the take in hand --------------------------------------------------------------------------------------------

  function samplesOf(t) {
    const whole = new Float32Array(t.frames);
    t.chunks.forEach((chunk, n) => whole.set(chunk.subarray(0, Math.min(chunk.length, t.frames - n * set.piece_frames)), n * set.piece_frames));
    return whole;
  }

  async function listen() {
    if (mode === "listening") return stopListening();
    if (!take || !take.ended || !["on", "off"].includes(mode)) return;
    const mine = take;
    mode = "listening";
    speaker.setVolume(Number(volume.value));
    const turn = speaker.take(api);
    show();
    try {
      await clock();
      if (!listened || listened.token !== mine.token) {
        let buffer = null;
        if (mine.chunks) {
          buffer = new AudioBuffer({ length: mine.frames, numberOfChannels: 1, sampleRate: mine.rate });
          buffer.copyToChannel(samplesOf(mine), 0);
        } else buffer = await fetched("sound");
        listened = { token: mine.token, buffer };
      }
      if (mode !== "listening" || !speaker.isOn(turn)) return;
      const node = player(listened.buffer, context.currentTime + 0.02);
      node.onended = stopListening;
      sound([node]);
    } catch (error) {
      if (mode !== "listening") return;
      stopListening();
      say(`The take can't be played (${error.message}).`);
    }
  }

  function stopListening() {
    if (mode !== "listening") return;
    mode = track ? "on" : "off";
    hush();
    release();
    show();
  }

  function keep() {
    if (!take || !take.ended || take.wanted) return;
    if (mode === "listening") stopListening();
    take.wanted = "keep";
    stuck = "";
    write("post", "");
    say("Keeping it, and measuring …");
    show();
    post();
  }

  function again() {
    if (!take || take.wanted) return;
    if (mode === "listening") stopListening();
    if (state && state.token === take.token) farewell = take.token;
    takes.delete(take.token);
    take = null;
    stuck = "";
    write("post", "");
    say(track ? "Ready: press Record." : "Turn on the microphone to sing it again.");
    show();
    post();
    (track ? recordButton : control("power")).focus();
  }

  // The take as a file from this page, for when Python doesn't answer: WAV in 32-bit floats.
  function save() {
    if (!take || !take.chunks) return;
    const data = samplesOf(take), head = new DataView(new ArrayBuffer(44));
    const text = (at, letters) => [...letters].forEach((letter, n) => head.setUint8(at + n, letter.charCodeAt(0)));
    text(0, "RIFF"); head.setUint32(4, 36 + 4 * data.length, true); text(8, "WAVEfmt "); head.setUint32(16, 16, true);
    head.setUint16(20, 3, true); head.setUint16(22, 1, true); head.setUint32(24, take.rate, true); head.setUint32(28, 4 * take.rate, true);
    head.setUint16(32, 4, true); head.setUint16(34, 32, true); text(36, "data"); head.setUint32(40, 4 * data.length, true);
    const link = document.createElement("a"), name = `take_${take.started.replace("T", "_").replaceAll(":", "-")}.wav`;
    link.href = URL.createObjectURL(new Blob([head, data], { type: "audio/wav" }));
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    say(`${name} is in the browser's downloads: load it here as a file.`);
  }

  // ---- to Python, and its answers ----------------------------------------------------------------------------------

  const known = () => Boolean(state && take && state.token === take.token);

  // The next message that is due: its kind, its number and what it holds.
  function due() {
    if (farewell) return ["again", 0, "", farewell];
    if (!take || !take.chunks && !take.ended) return null;
    if (!known()) return take.chunks ? ["begin", 0, JSON.stringify({ rate: take.rate, started: take.started }), take.token] : null;
    const whole = take.chunks ? (take.ended ? take.chunks.length : Math.floor(take.frames / set.piece_frames)) : 0;
    if (state.pieces < whole) {
      const n = state.pieces, left = take.frames - n * set.piece_frames;
      return ["piece", n + 1, take.chunks[n].subarray(0, Math.min(set.piece_frames, left)), take.token];
    }
    if (take.ended && !state.ended) return ["end", 0, "", take.token];
    return take.wanted ? [take.wanted, 0, "", take.token] : null;
  }

  async function post() {
    if (posting || stuck) return;
    posting = true;
    try {
      for (let next = due(); next && root.isConnected && !stuck; next = due()) {
        const [kind, place, content, token] = next;
        const answer = await hand(kind, place, content, token);
        if (!answer) break;
        if (kind === "again") farewell = "";
        else if (answer.error) trouble(`${upper(answer.error.replace(/^\w+: /, ""))} The take is still in this page.`);
        else if (kind === "keep") kept(answer.said);
      }
    } finally {
      posting = false;
      show();
    }
  }

  // Give Python one message and wait for the answer to it; null if this box is gone or the message was given up.
  async function hand(kind, place, content, token) {
    while (!inbox || !inbox.button.isConnected) {
      if (!root.isConnected) return null;
      const button = find("inbox");
      inbox = button && window.vocompInbox(button);
      if (!inbox) await wait(100);
    }
    const asked = String(Math.floor(1 + Math.random() * 999999998));
    waitingSince = Date.now();
    inbox.give(`${kind}-${place}-${id}-${token}-${asked}`, content);
    try {
      while (root.isConnected) {
        read();
        if (state && state.answered === asked) return state;
        const waited = Date.now() - waitingSince;
        if (take && take.ended && waited > GONE_MS) {
          return trouble("The kernel doesn't answer, but the take is still in this page: hand it over again later, run this cell again, or save it from here.");
        }
        if (waited > BUSY_MS && take) write("post", "The kernel doesn't answer yet, because it is busy or gone: the take stays in this page until it does.");
        await wait(40);
      }
      return null;
    } finally {
      waitingSince = 0;
      if (!stuck) write("post", "");
    }
  }

  // A question beside the take's messages, in its turn.
  async function ask(kind) {
    while (posting) await wait(40);
    posting = true;
    try {
      const answer = await Promise.race([hand(kind, 0, "", take ? take.token : "0"), wait(GONE_MS).then(() => null)]);
      if (answer && answer.error) throw new Error(answer.error);
      return answer;
    } finally {
      posting = false;
      post();
    }
  }

  function trouble(text) {
    stuck = text;
    if (take) take.wanted = "";
    say("");
    write("post", text);
    show();
    return null;
  }

  function kept(said) {
    const here = [document.body, control("keep")].includes(document.activeElement);
    takes.delete(take.token);
    take = null;
    say(said);
    show();
    if (here) (track ? recordButton : control("power")).focus({ preventScroll: true });
  }

  function read() {
    const holder = find("state"), text = holder ? holder.textContent.trim() : "";
    if (!text || text === stateText) return;
    try { state = JSON.parse(text); } catch (error) { return; }
    stateText = text;
  }

  // A take that was left: by a box that is gone (its cell was run again), or by a page that is gone (Python has what came over).
  function adopt() {
    if (take || !state || !set.keeps || farewell) return;
    for (const left of takes.values()) {
      if (left.root.isConnected || !left.keeps || !left.ended) continue; // its own box ends it, in a moment
      left.root = root;
      left.wanted = "";
      take = left;
      say(`A take of ${number(take.frames / take.rate, 1)} s was left here: listen to it; then keep it, or sing it again.`);
      return post();
    }
    if (!state.token || state.said || takes.has(state.token) || !state.pieces) return;
    if (!noticed || noticed.pieces !== state.pieces) noticed = { pieces: state.pieces, at: Date.now() };
    if (!state.ended && Date.now() - noticed.at < LEFT_MS) return; // another page may be recording it
    take = { token: state.token, rate: state.rate, frames: Math.round(state.seconds * state.rate), chunks: null, ended: true, wanted: "", root, keeps: true, started: "" };
    say(`A take of ${number(state.seconds, 1)} s is left from before this page was loaded: listen to it; then keep it, or sing it again.`);
    post();
  }

  // ---- the look ----------------------------------------------------------------------------------------------------

  function show() {
    const on = Boolean(track), here = Boolean(take && take.ended), recording = mode === "recording" || mode === "getting";
    write("power", on ? "Turn off the microphone" : "Turn on the microphone");
    hide("power", Boolean(why));
    control("power").disabled = !state || mode === "opening" || mode === "listening";
    for (const part of ["ready", "processing", "device-row"]) hide(part, !on);
    hide("channel-row", !on || channels < 2);
    device.disabled = channel.disabled = recording;
    const guided = control("band").checked || control("clicks").checked;
    hide("loud", !here && !(on && guided));
    hide("bleed", !guided);
    hide("guide", Boolean(set.plan.length));
    for (const part of ["clicks", "band"]) control(part).disabled = recording;
    const label = recording ? "Stop" : "Record";
    if (recordButton.textContent !== label) recordButton.textContent = label;
    recordButton.toggleAttribute("data-on", recording);
    recordButton.disabled = here || mode === "listening" || mode === "opening";
    hide("taken", !here);
    hide("keep", !set.keeps);
    write("listen", mode === "listening" ? "Stop listening" : "Listen");
    for (const part of ["keep", "again"]) control(part).disabled = Boolean(take && take.wanted);
    listenButton.disabled = Boolean(take && take.wanted);
    // Unknown to Python it goes over first: another page has recorded meanwhile.
    control("keep").disabled ||= known() ? !state.ended : posting || !take || !take.chunks;
    hide("trouble", !stuck || !take);
    hide("save", !take || !take.chunks);
    showVerdict(here && known() && state.ended ? state.verdicts : []);
  }

  let verdictText = "";
  function showVerdict(verdicts) {
    const text = JSON.stringify(verdicts);
    if (text === verdictText) return;
    verdictText = text;
    control("verdict").replaceChildren(...verdicts.map((verdict) => {
      const line = document.createElement("p"), strong = document.createElement("b");
      line.className = verdict.fine ? "right" : "wrong";
      strong.textContent = `${verdict.topic}: ${verdict.fine ? "✓" : "▸"} ${verdict.word}. `;
      line.append(strong, verdict.sentence);
      return line;
    }));
  }

  function showTime() {
    let count = "", time = "";
    if (mode === "recording") {
      const heard = context.currentTime - (context.outputLatency || 0), seconds = take.frames / take.rate;
      if (set.plan.length) {
        let end = 0;
        const [what] = set.plan.find(([, lasts]) => (end += lasts) > seconds) || set.plan.at(-1);
        count = String(Math.max(1, Math.ceil(end - seconds)));
        say(what + ".");
      } else if (heard < one) {
        const beat = Math.floor((heard - one) / set.beat_s) + COUNT + 1;
        count = beat >= 1 ? String(beat) : "";
      } else {
        count = "sing";
        say("Recording. Press Stop at the end.");
      }
      time = seconds ? `${Math.floor(seconds / 60)}:${number(seconds % 60, 1).padStart(4, "0")}` : "";
    }
    write("count", count);
    write("time", time);
  }

  function sayVolume() {
    write("volume-text", volume.value.replace("-", "−") + " dB");
    volume.setAttribute("aria-valuetext", control("volume-text").textContent);
  }

  function tick() {
    if (!root.isConnected) { // the cell was run again, or its notebook closed; the take stays for the next box
      clearInterval(ticking);
      finish("");
      close();
      hush();
      release();
      speaker.players.delete(api);
      if (context) context.close().catch(() => {});
      removeEventListener("beforeunload", leaving);
      if (!why) navigator.mediaDevices.removeEventListener("devicechange", plugged);
      return;
    }
    read();
    if (state && control("power").disabled && mode === "off") { say(why); show(); }
    if (!take && mode !== "recording" && mode !== "getting") adopt();
    if (track) { moveMeter(); showTime(); }
    if (take && take.ended && verdictText === "[]") show();
  }

  const leaving = (event) => { if (take && take.chunks) event.preventDefault(); };
  addEventListener("beforeunload", leaving);
  const plugged = () => { if (track) listDevices(track.getSettings().deviceId); };
  if (!why) navigator.mediaDevices.addEventListener("devicechange", plugged);

  const zone = root.querySelector(".zone"), share = (db) => (100 * (db - FLOOR_DB)) / -FLOOR_DB;
  zone.style.left = share(set.low_db) + "%";
  zone.style.width = share(set.high_db) - share(set.low_db) + "%";
  for (const [db, text] of [[-48, "−48"], [-36, "−36"], [set.quiet_db, number(set.quiet_db, 0)], [(set.low_db + set.high_db) / 2, `good: ${number(set.low_db, 0)} to ${number(set.high_db, 0)} dBFS`]]) {
    const mark = document.createElement("span");
    mark.className = "mark";
    mark.setAttribute("aria-hidden", "true");
    mark.style.left = share(db) + "%";
    mark.textContent = text;
    zone.parentElement.append(mark);
  }
  for (const part of root.querySelectorAll("button,input,select")) part.dataset.lmSuppressShortcuts = "true";
  control("power").addEventListener("click", () => (track ? (close(), say("The microphone is off.")) : open()));
  device.addEventListener("change", open);
  channel.addEventListener("change", () => { chosen = true; });
  recordButton.addEventListener("click", () => (mode === "recording" ? finish("") : mode === "getting" ? (api.stop(), release()) : record()));
  listenButton.addEventListener("click", listen);
  control("keep").addEventListener("click", keep);
  control("again").addEventListener("click", again);
  control("save").addEventListener("click", save);
  control("resend").addEventListener("click", () => { stuck = ""; write("post", ""); show(); post(); });
  for (const part of ["clicks", "band"]) control(part).addEventListener("change", show);
  volume.addEventListener("input", () => {
    speaker.setVolume(Number(volume.value));
    if (sounding) sounding.gain.gain.setTargetAtTime(gainOf(Number(volume.value)), context.currentTime, 0.01);
    for (const each of speaker.players) each.showVolume();
  });
  root.vocomp = api;
  speaker.players.add(api);
  if (speaker.volumeDb() !== null) api.showVolume(); else sayVolume();
  const ticking = setInterval(tick, 60);
})(document.getElementById("vocomp-recorder-__ID__"), "__ID__");

// Records the microphone in the page. What is recorded is kept here (take.js), and handed over to Python meanwhile (handover.js), until
// Python has made a file of it or the singer gives it up. So a kernel that is busy or gone loses nothing, and neither does running the cell
// again: the take then goes over to the new box.
(function (root, id) {
  "use strict";
  if (!root || root.dataset.wired) return;
  root.dataset.wired = "1";
  const set = JSON.parse(root.dataset.set), speaker = window.vocompSpeaker, takes = window.vocompTakes;
  const { number } = window.vocompWording, { whyNever, whyNot, processing, devices } = window.vocompMicrophone;
  const SOON_S = 0.15, COUNT = 4; // the beats of the count-in
  const LEFT_MS = 8000; // so long nothing has come over of a take that a page has left
  const AWAY_MS = 2000; // so long a box may be out of the page without losing its microphone: JupyterLab takes out cells that are out of sight
  const why = whyNever();

  let mode = "off"; // off, opening, on (the meter runs), getting (the band is fetched), recording (with its count-in), listening
  let channels = 1, chosen = false; // chosen: by the singer, not by the louder input
  let take = null, one = 0; // the context's time of the first beat after the count-in
  let listened = null, band = null; // decoded: the take that Python has, the band
  let noticed = null; // how much of a left take Python has, and since when
  let recorded = false; // since the microphone was turned on
  let awaySince = 0, asleep = false; // while the box is out of the page

  const box = window.vocompRecorderBox(root, set), { control, say } = box;
  const recordButton = control("record"), listenButton = control("listen"), device = control("device"), channel = control("channel");
  const used = () => Number(channel.value);
  const meter = window.vocompInputMeter(root, set, used);
  const microphone = window.vocompMicrophone.microphone({ arrived, gone, stopped: finish });
  const headphones = window.vocompHeadphones(control("volume"), control("volume-text"), microphone.context);
  const handover = window.vocompHandover({
    id, root, gone_s: set.gone_s, take: () => take, note: (text) => box.write("post", text), changed: show, failed: () => say(""), kept,
  });

  const isOn = () => Boolean(microphone.track());

  function show() {
    box.show({
      mode, take, on: isOn(), left: recorded, channels, never: Boolean(why), state: handover.state(), known: handover.known(),
      posting: handover.posting(), stuck: handover.stuck(),
    });
  }

  const api = {
    stop() {
      if (mode === "recording") finish("Another player was started, and that ended the take.");
      else if (mode === "listening") stopListening();
      else if (mode === "getting") { mode = "on"; say(""); show(); }
    },
    heldBack() { api.stop(); },
    showVolume: headphones.follow,
    mode: () => mode, take: () => take, stream: microphone.stream,
  };
  const release = () => { if (speaker.owner() === api) speaker.release(); };

  // ---- the microphone ----------------------------------------------------------------------------------------------

  async function open() {
    if (mode !== "off" && mode !== "on") return;
    close();
    mode = "opening";
    say("Waiting for the microphone: the browser may ask for your permission.");
    show();
    try {
      const settings = await microphone.open(device.value);
      channels = Math.min(settings.channelCount || 1, 2);
      box.showProcessing(processing(settings));
      box.listDevices(await devices(), settings.deviceId);
      if (mode === "opening") { // it may have gone meanwhile
        mode = "on";
        say(take ? "Press Again to repeat the take." : set.plan.length ? `Press Record. It takes ${set.plan.reduce((sum, [, seconds]) => sum + seconds, 0)} seconds.` :
          "Sing your loudest words, and turn the input up or down until the marker stays in the frame. Then press Record.");
      }
    } catch (error) {
      if (mode === "opening") { close(); say(whyNot(error)); }
    }
    show();
  }

  function close() {
    if (mode === "recording") finish("");
    microphone.close();
    meter.rest();
    chosen = recorded = false;
    if (mode !== "listening") mode = "off";
    show();
  }

  function gone() {
    if (mode === "recording") finish("The microphone was disconnected, and that ended the take.");
    close();
    if (!take) say("The microphone was disconnected: plug it in, and turn it on here again.");
  }

  function arrived({ from, blocks }) {
    meter.hear(blocks);
    if (blocks.length !== channels) { // not every browser has told their number before
      channels = blocks.length;
      show();
    }
    const waiting = mode === "on" || (mode === "recording" && !take.frames);
    if (channels > 1 && !chosen && waiting && meter.held(1 - used()) > takes.LOUDER * meter.held(used())) channel.value = String(1 - used());
    if (mode === "recording") add(from, blocks);
  }

  // ---- recording ---------------------------------------------------------------------------------------------------

  async function record() {
    if (mode !== "on" || take) return;
    const withBand = !set.plan.length && control("band").checked, withClicks = !set.plan.length && control("clicks").checked;
    const rate = microphone.context().sampleRate, hasBand = () => band && band.sampleRate === rate;
    mode = "getting";
    const turn = headphones.take(api);
    if (withBand && !hasBand()) say("Loading the band …");
    show();
    try {
      await microphone.clock(rate);
      if (withBand && !hasBand()) band = await handover.band(microphone.context());
    } catch (error) {
      if (mode === "getting") { mode = "on"; release(); say(`The band can't be loaded (${error.message}): the kernel may be busy or gone; untick “the band while I sing” to record without it.`); show(); }
      return;
    }
    if (mode !== "getting" || !speaker.isOn(turn)) return;
    const context = microphone.context(), first = context.currentTime + SOON_S;
    one = first + (set.plan.length ? 0 : COUNT * set.beat_s);
    // The band begins before its first bar. Without it, the take begins half a beat early, for words that do.
    const start = set.plan.length ? first : one - (withBand ? set.lead_in_beats : 0.5) * set.beat_s;
    // What is sung to a sound comes in later by the way through the device and back, as far as the browser knows it.
    const settings = microphone.track().getSettings();
    const late = withBand || withClicks ? (context.outputLatency || 0) + (context.baseLatency || 0) + (settings.latency || 0) : 0;
    const nodes = withClicks ? Array.from({ length: COUNT }, (_, beat) => headphones.click(first + beat * set.beat_s)) : [];
    if (withBand) nodes.push(headphones.player(band, start));
    headphones.sound(nodes);
    const most = Math.min(set.longest_s * rate, set.most_frames);
    take = takes.begin({
      rate, first: Math.round((start + late) * rate), inputs: chosen ? 1 : channels, pieceFrames: set.piece_frames, root, keeps: set.keeps,
      most: set.plan.length ? Math.min(most, Math.round(rate * set.plan.reduce((sum, [, seconds]) => sum + seconds, 0))) : most,
    });
    listened = null;
    meter.forgetCutOff();
    handover.free();
    mode = "recording";
    say(set.plan.length ? set.plan[0][0] + "." : "Count-in: four beats, then sing.");
    show();
    handover.post();
  }

  function add(from, blocks) {
    if (takes.add(take, { from, blocks }, used())) handover.post();
    if (take.frames >= take.most) {
      finish(set.plan.length ? "" : `The take ends here: ${Math.floor(take.most / take.rate / 60)} minutes is the most that the workbook takes.`);
    }
  }

  // The end of a take, by the singer or by what happened. What was recorded until then is kept.
  function finish(reason) {
    if (mode !== "recording") return;
    const here = document.activeElement === recordButton;
    mode = "on";
    recorded = true;
    headphones.hush();
    release();
    if (take.frames) {
      if (takes.end(take, used())) channel.value = String(1 - used());
      say([reason, `Recorded: ${number(take.frames / take.rate, 1)} s.`, set.keeps ? "Listen to it; then keep it, or press Again to repeat it." : "Press Again to repeat it."].filter(Boolean).join(" "));
      handover.post();
    } else {
      takes.drop(take);
      take = null;
      say(reason || "Stopped before the take began.");
    }
    show();
    if (take && here) listenButton.focus(); // where the next step is, now that this button rests
  }

  // ---- the take in hand --------------------------------------------------------------------------------------------

  async function listen() {
    if (mode === "listening") return stopListening();
    if (!take || !take.ended || !["on", "off"].includes(mode)) return;
    const mine = take;
    mode = "listening";
    const turn = headphones.take(api);
    show();
    try {
      await microphone.clock();
      if (!listened || listened.token !== mine.token) listened = { token: mine.token, buffer: await decoded(mine) };
      if (mode !== "listening" || !speaker.isOn(turn)) return;
      const node = headphones.player(listened.buffer, microphone.context().currentTime + 0.02);
      node.onended = stopListening;
      headphones.sound([node]);
    } catch (error) {
      if (mode !== "listening") return;
      stopListening();
      say(`The take can't be played (${error.message}).`);
    }
  }

  async function decoded(mine) {
    if (!mine.chunks) return handover.sound(microphone.context());
    const buffer = new AudioBuffer({ length: mine.frames, numberOfChannels: 1, sampleRate: mine.rate });
    buffer.copyToChannel(takes.samples(mine), 0);
    return buffer;
  }

  function stopListening() {
    if (mode !== "listening") return;
    mode = isOn() ? "on" : "off";
    headphones.hush();
    release();
    show();
  }

  function keep() {
    if (!take || !take.ended || take.wanted) return;
    if (mode === "listening") stopListening();
    take.wanted = "keep";
    handover.free();
    say("Saving and measuring the take …");
    show();
    handover.post();
  }

  function kept(said) {
    const here = [document.body, control("keep")].includes(document.activeElement);
    takes.drop(take);
    take = null;
    say(said);
    show();
    if (here) (isOn() ? recordButton : control("power")).focus({ preventScroll: true });
  }

  function again() {
    if (!take || take.wanted) return;
    if (mode === "listening") stopListening();
    handover.forget(take.token);
    takes.drop(take);
    take = null;
    handover.free();
    say(isOn() ? "Ready: press Record." : "Turn on the microphone to sing it again.");
    show();
    handover.post();
    (isOn() ? recordButton : control("power")).focus();
  }

  // The take as a file from this page, for when Python doesn't answer.
  function save() {
    if (!take || !take.chunks) return;
    const { name, blob } = takes.file(take), link = document.createElement("a");
    link.href = URL.createObjectURL(blob);
    link.download = name;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    say(`${name} is in the browser's downloads: load it here as a file.`);
  }

  // A take that was left: by a box that is gone (its cell was run again), or by a page that is gone (Python has what came over).
  function adopt() {
    const state = handover.state();
    if (take || !state || !set.keeps || handover.saysFarewell()) return;
    for (const left of takes.held.values()) {
      if (left.root.isConnected || !left.keeps || !left.ended) continue; // its own box ends it, in a moment
      left.root = root;
      left.wanted = "";
      take = left;
      say(`A take of ${number(take.frames / take.rate, 1)} s was left here: listen to it; then keep it, or press Again to sing another.`);
      return handover.post();
    }
    if (!state.token || state.said || takes.held.has(state.token) || !state.pieces) return;
    if (!noticed || noticed.pieces !== state.pieces) noticed = { pieces: state.pieces, at: Date.now() };
    if (!state.ended && Date.now() - noticed.at < LEFT_MS) return; // another page may be recording it
    take = takes.fromPython(state, root);
    say(`A take of ${number(state.seconds, 1)} s is left from before this page was loaded: listen to it; then keep it, or press Again to sing another.`);
    handover.post();
  }

  // ---- as time goes by ---------------------------------------------------------------------------------------------

  function showTime() {
    if (mode !== "recording") return box.hideTime();
    const context = microphone.context(), heard = context.currentTime - (context.outputLatency || 0);
    box.showTime(take.frames / take.rate, heard < one ? Math.floor((heard - one) / set.beat_s) + COUNT + 1 : null);
  }

  // The cell was run again, its notebook closed, or JupyterLab has taken it out of sight: nothing stays on. The take stays, for this box
  // when it is back or for the next one.
  function sleep() {
    asleep = true;
    finish("");
    stopListening();
    close();
    headphones.hush();
    release();
    speaker.players.delete(api);
    microphone.end();
    removeEventListener("beforeunload", leaving);
    if (!why) navigator.mediaDevices.removeEventListener("devicechange", plugged);
  }

  function wake() {
    asleep = false;
    speaker.players.add(api);
    headphones.follow();
    if (set.keeps) addEventListener("beforeunload", leaving);
    if (!why) navigator.mediaDevices.addEventListener("devicechange", plugged);
  }

  function tick() {
    setTimeout(tick, asleep ? 500 : 60);
    if (!root.isConnected) {
      awaySince ||= Date.now();
      if (!asleep && Date.now() - awaySince > AWAY_MS) sleep();
      return;
    }
    if (awaySince) {
      awaySince = 0;
      if (take && take.root !== root) take = null; // another box has it
      if (asleep) wake();
      show();
      handover.post();
    }
    handover.read();
    if (take && !take.chunks && !handover.known() && !handover.stuck()) handover.post(); // it is gone, and that is said
    if (handover.state() && control("power").disabled && mode === "off") { say(why); show(); }
    if (!take && mode !== "recording" && mode !== "getting") adopt();
    if (isOn()) { meter.move(); showTime(); }
    if (take && take.ended && !box.hasVerdict()) show();
  }

  const leaving = (event) => { if (take && take.chunks) event.preventDefault(); };
  const plugged = () => {
    if (!isOn()) return;
    const { deviceId } = microphone.track().getSettings();
    devices().then((found) => box.listDevices(found, deviceId));
  };

  for (const part of root.querySelectorAll("button,input,select")) part.dataset.lmSuppressShortcuts = "true";
  control("power").addEventListener("click", () => (isOn() ? (close(), say("The microphone is off.")) : open()));
  device.addEventListener("change", open);
  channel.addEventListener("change", () => { chosen = true; });
  recordButton.addEventListener("click", () => (mode === "recording" ? finish("") : mode === "getting" ? (api.stop(), release()) : record()));
  listenButton.addEventListener("click", listen);
  control("keep").addEventListener("click", keep);
  control("again").addEventListener("click", again);
  control("save").addEventListener("click", save);
  control("resend").addEventListener("click", () => { handover.free(); show(); handover.post(); });
  for (const part of ["clicks", "band"]) control(part).addEventListener("change", show);
  root.vocomp = api;
  wake();
  tick();
})(document.getElementById("vocomp-recorder-__ID__"), "__ID__");

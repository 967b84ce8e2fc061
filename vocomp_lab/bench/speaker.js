// The page's one loudspeaker. All players of the page share it, to protect hearing: it has one voice at a time, and one volume.
// A player is idle, or it has the loudspeaker: first it waits (for the browser, or for sound to be decoded), then it plays. A player
// that takes the loudspeaker gets a new turn and sends the one before back to idle. Anything a player waited for is dropped if its
// turn is over by then.
window.vocompSpeaker = window.vocompSpeaker || (() => {
  "use strict";
  const SWITCH_S = 0.012; // a cross-fade this long makes no click and is over before anyone notices
  // Changes are scheduled this far ahead: sound is rendered a little ahead of the clock that the page can read.
  const AHEAD_S = 0.04;
  const HELD_BACK_S = 4; // a browser that is allowed to play begins within a few hundredths of a second; wireless headphones need longer
  // Ways to listen, as gains of two paths: the sound as it is, and as a small loudspeaker gives it, mono and without lows and highs. The
  // filters there can make a peak grow by up to 9.2 dB; 10 dB lower, none passes full scale. Common practice, no source for its edges.
  const WAYS = { "as it is": [1, 0], small: [0, 0.316], quiet: [0.1, 0] }, SMALL_HZ = [250, 6000], SHARPNESS_DB = [-5.333, 2.323, -3.01];
  let context = null, input = null, output = null, meter = null, volumeDb = null;
  let way = "as it is", volumeBeforeDb = null, paths = null, wayBy = 0; // context time by which the last change of the way is done
  let turn = 0, owner = null;
  let voice = null; // the one that is on, or will be when its time comes
  let fadedOutBy = 0; // context time by which every earlier voice is silent

  const gainOf = (db) => Math.pow(10, db / 20);

  // The clock, and the time of the next possible change.
  function times() {
    const now = context.currentTime;
    return { now, at: Math.max(now + AHEAD_S, fadedOutBy) };
  }

  // The context runs at the sound's own rate: at another one, the page would compute something else than Python.
  function open(rate) {
    if (context && context.sampleRate === rate) return;
    if (context) {
      const old = context;
      old.onstatechange = null;
      setTimeout(() => old.close().catch(() => {}), 1000 * (AHEAD_S + 3 * SWITCH_S)); // after the fade-out of what it played last
    }
    try { context = new AudioContext({ sampleRate: rate }); } catch (error) { context = new AudioContext(); } // a rate that it has not
    openWays();
    meter = context.createAnalyser();
    output.gain.value = gainOf(volumeDb);
    output.connect(meter);
    meter.connect(context.destination);
    fadedOutBy = AHEAD_S + 2 * SWITCH_S; // by then the context before this one is silent
    // The audio device has gone: sound that came back by itself with another device would startle.
    context.onstatechange = (event) => { if (event.target === context && context.state !== "running" && voice) owner.heldBack(); };
  }

  function openWays() {
    [input, output] = [context.createGain(), context.createGain()];
    paths = WAYS[way].map((gain) => {
      const path = context.createGain();
      path.gain.value = gain;
      path.connect(output);
      return path;
    });
    input.connect(paths[0]);
    const mono = context.createGain();
    Object.assign(mono, { channelCount: 1, channelCountMode: "explicit", channelInterpretation: "speakers" });
    input.connect(mono);
    // Butterworth filters: two high-passes of fourth order together, one low-pass of second order. Their Q is in dB.
    const kinds = ["highpass", "highpass", "lowpass"], edges = [SMALL_HZ[0], ...SMALL_HZ];
    kinds.reduce((before, type, n) => {
      const filter = context.createBiquadFilter();
      filter.type = type;
      filter.frequency.value = Math.min(edges[n], context.sampleRate / 2);
      filter.Q.value = SHARPNESS_DB[n];
      return before.connect(filter);
    }, mono).connect(paths[1]);
    wayBy = 0;
  }

  // Gains change by scheduled times alone, never from a value read in the middle of a ramp. A fade-out and a fade-in have the same
  // times, so together they add up to 1 however busy the page is.
  function ramp(gain, from, to, at) {
    gain.setValueAtTime(from, at);
    gain.linearRampToValueAtTime(to, at + SWITCH_S);
  }

  function silence({ now, at }) {
    const { source, fade, from } = voice;
    // A voice that has not faded in by now, or just after, is dropped: many changes in a row must not queue up.
    if (context.state !== "running" || from + SWITCH_S > now + AHEAD_S) {
      fade.disconnect();
      source.stop();
    } else {
      ramp(fade.gain, 1, 0, at);
      source.stop(at + 2 * SWITCH_S);
      fadedOutBy = at + SWITCH_S;
    }
    voice = null;
  }

  // A second tab of this browser would be a second voice in the same ears.
  const otherTabs = new BroadcastChannel("vocomp-speaker");
  otherTabs.onmessage = () => { if (owner) owner.stop(); };

  const speaker = {
    players: new Set(),
    now: () => context.currentTime,
    owner: () => owner,
    voice: () => voice,
    turn: () => turn,
    isOn: (number) => number === turn,
    volumeDb: () => volumeDb,

    take(player) {
      if (owner) owner.stop();
      owner = player;
      otherTabs.postMessage("taken");
      return ++turn;
    },

    release() {
      turn++;
      owner = null;
      if (voice) silence(times());
    },

    // Let the context run. False where the browser holds the sound back.
    wake(rate) {
      open(rate);
      const resumed = context.resume().then(() => true, () => false);
      return Promise.race([resumed, new Promise((resolve) => setTimeout(resolve, 1000 * HELD_BACK_S, false))]);
    },

    // Give up a context that was held back, so it can't start by itself when nobody expects it any more.
    giveUp() {
      context.close().catch(() => {});
      context = null;
    },

    context: () => context,

    // Sounds that are there as a whole, played side by side.
    buffers(tracks, ended) {
      const nodes = [];
      return {
        start(context, gains, at, seconds, loop) {
          for (const [name, buffer] of Object.entries(tracks)) {
            const node = context.createBufferSource();
            node.buffer = buffer;
            if (loop) [node.loop, node.loopStart, node.loopEnd] = [true, ...loop];
            node.connect(gains[name]);
            nodes.push(node);
          }
          nodes[0].onended = ended;
          for (const node of nodes) node.start(at, seconds);
        },
        stop(at) {
          nodes[0].onended = null;
          for (const node of nodes) node.stop(at);
        },
      };
    },

    // Start a voice, whose source plays its tracks side by side, each with its own gain, and fade out the voice before. `placeAt` says
    // where in the sound to start, for the context time at which it will start; `loop` is null, or the seconds between which it goes
    // round. `when` is the context time before which it shall not start.
    change(placeAt, loop, source, gains, when = 0) {
      const time = times(), at = (time.at = Math.max(time.at, when)), start = placeAt(at);
      // Out before in: if this comes too late for its time there is a dip, never a sum.
      if (voice) silence(time);
      const fade = context.createGain(), nodes = {};
      fade.gain.value = 0;
      fade.connect(input);
      ramp(fade.gain, 0, 1, at);
      for (const name of Object.keys(gains)) {
        nodes[name] = context.createGain();
        nodes[name].gain.value = gains[name];
        nodes[name].connect(fade);
      }
      source.start(context, nodes, at, start, loop);
      return (voice = { source, fade, from: at, origin: at - start, loop, gains: nodes, wanted: gains, mixedBy: 0 });
    },

    // The voice has come to its end by itself.
    ended(source) {
      if (!voice || voice.source !== source) return false;
      voice = null;
      return true;
    },

    // Change to other gains of the tracks. Those that fall go first, so the sum is never more than before or after.
    mix(gains) {
      const { wanted } = voice, names = Object.keys(gains).filter((name) => gains[name] !== wanted[name]);
      if (!names.length) return;
      // Set ahead like all changes: a gain whose time has come before the sound's own thread hears of it keeps its old value a while.
      const at = Math.max(context.currentTime + AHEAD_S, voice.mixedBy);
      names.sort((a, b) => gains[a] - wanted[a] - (gains[b] - wanted[b]));
      for (const name of names) ramp(voice.gains[name].gain, wanted[name], gains[name], at);
      voice.wanted = gains;
      voice.mixedBy = at + SWITCH_S;
    },

    setVolume(db) {
      if (context && db !== volumeDb) output.gain.setTargetAtTime(gainOf(db), context.currentTime, 0.01);
      volumeDb = db;
    },

    way: () => way,

    // Listen in one of the WAYS. The two paths change at the same times, so their sum is never more than before or after.
    listen(wanted) {
      if (wanted === way) return;
      if (context) {
        const at = Math.max(context.currentTime + AHEAD_S, wayBy);
        paths.forEach((path, n) => ramp(path.gain, WAYS[way][n], WAYS[wanted][n], at));
        wayBy = at + SWITCH_S;
      }
      // What was turned up to be heard while it was very quiet would come back 20 dB louder: the volume goes back first.
      if (way === "quiet" && volumeBeforeDb !== null && volumeDb > volumeBeforeDb) speaker.setVolume(volumeBeforeDb);
      if (wanted === "quiet") volumeBeforeDb = volumeDb;
      way = wanted;
    },

    level() {
      const data = new Float32Array(meter.fftSize);
      meter.getFloatTimeDomainData(data);
      return Math.sqrt(data.reduce((sum, x) => sum + x * x, 0) / data.length);
    },
  };
  return speaker;
})();

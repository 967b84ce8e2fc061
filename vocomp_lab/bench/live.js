// Sound that the page makes itself while it plays: a chain in an audio worklet (worklet.js), which answers a control at once. Where a
// browser has none, or the address is not a secure one, `possible` is false and Python makes the sound.
window.vocompLive = window.vocompLive || (() => {
  "use strict";
  const MOST_CLIPS = 2; // long clips take much memory, and only one is heard at a time
  const possible = Boolean(window.isSecureContext && window.AudioWorkletNode && window.Worker);
  const shelves = new WeakMap(); // by context: a promise of the clips that its worklet has
  let runner = null, asked = 0;
  const waiting = new Map();

  // The code of worklet and runner comes once, in a hidden widget, for all benches of a notebook.
  function moduleUrl(name) {
    const holder = document.querySelector(".vocomp-live-code"), code = holder && JSON.parse(holder.textContent);
    if (!code) throw new Error("its code has not arrived");
    return URL.createObjectURL(new Blob([code.processors, code[name]], { type: "text/javascript" }));
  }

  function openShelf(context) {
    if (!shelves.has(context)) {
      const opening = context.audioWorklet.addModule(moduleUrl("worklet")).then(() => {
        const node = new AudioWorkletNode(context, "vocomp-shelf"), clips = new Map();
        node.port.onmessage = ({ data }) => { if (clips.has(data)) clips.get(data).there(); };
        return { node, clips };
      });
      opening.catch(() => shelves.delete(context)); // the next Play tries again
      shelves.set(context, opening);
    }
    return shelves.get(context);
  }

  function openRunner() {
    if (runner) return;
    runner = new Worker(moduleUrl("runner"));
    runner.onmessage = ({ data: { id, held, late } }) => {
      const answer = waiting.get(id);
      waiting.delete(id);
      if (answer) answer(late ? null : { held });
    };
  }

  return {
    possible,

    // Have a clip ready under a name; `decode` gives its AudioBuffer, and is asked only if the clip is not there yet.
    async shelve(context, name, decode) {
      const { node, clips } = await openShelf(context);
      openRunner();
      if (!clips.has(name)) {
        const buffer = await decode();
        if (!buffer) return false;
        let there = null;
        const arrived = new Promise((resolve) => { there = resolve; });
        clips.set(name, { arrived, there });
        const channels = () => Array.from({ length: buffer.numberOfChannels }, (_, c) => buffer.getChannelData(c).slice());
        for (const port of [node.port, runner]) {
          const clip = { rate: buffer.sampleRate, channels: channels() };
          port.postMessage({ put: name, clip }, clip.channels.map((channel) => channel.buffer));
        }
        for (const old of clips.keys()) {
          if (clips.size <= MOST_CLIPS) break;
          if (old === name) continue;
          clips.delete(old);
          node.port.postMessage({ drop: old });
          runner.postMessage({ drop: old });
        }
      }
      await clips.get(name).arrived;
      return true;
    },

    // What a chain remembers at a frame of a clip; null if another question for the same purpose came meanwhile.
    heldAt(purpose, clip, spec, at) {
      if (at <= 0) return Promise.resolve({ held: null });
      return new Promise((resolve) => {
        waiting.set(++asked, resolve);
        runner.postMessage({ id: asked, purpose, clip, spec, at });
      });
    },

    // A source for the loudspeaker: see `change` in speaker.js.
    source(clip, spec, held, { loopHeld, channels, tracks, heard, ended }) {
      let node = null;
      const inFrames = (loop) => loop && loop.map((seconds) => Math.round(seconds * node.context.sampleRate));
      return {
        spec,
        start(context, gains, at, seconds, loop) {
          const rate = context.sampleRate;
          node = { context };
          node = new AudioWorkletNode(context, "vocomp-live", {
            numberOfInputs: 0, numberOfOutputs: tracks.length, outputChannelCount: tracks.map(() => channels),
            processorOptions: { clip, spec, held, loop: inFrames(loop), loopHeld, from: Math.round(at * rate), at: Math.round(seconds * rate) },
          });
          node.port.onmessage = ({ data }) => (data.ended ? ended() : heard(data));
          tracks.forEach((name, output) => node.connect(gains[name], output));
        },
        stop(at) { node.port.postMessage({ stopAt: at === undefined ? 0 : at * node.context.sampleRate }); },
        set(spec) { this.spec = spec; node.port.postMessage({ spec }); },
        goRound(loop, loopHeld) { node.port.postMessage({ loop: inFrames(loop), loopHeld }); },
      };
    },
  };
})();

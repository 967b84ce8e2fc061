// Sound that the page makes itself while it plays: a chain in an audio worklet (worklet.js), which answers a control at once. Where a
// browser has none, or the address is not a secure one, `possible` is false and Python makes the sound.
window.vocompLive = window.vocompLive || (() => {
  "use strict";
  const CODE_TRIES = 100; // a tenth of a second each
  const MOST_CLIPS = 2; // long clips take much memory, and only one is heard at a time; and as many bands
  const possible = Boolean(window.isSecureContext && window.AudioWorkletNode && window.Worker);
  const shelves = new WeakMap(); // by context: a promise of the clips that its worklet has
  const shelved = new WeakMap(); // by context: the bands that its worklet has
  let runner = null, opening = null, answers = false, broken = false, asked = 0;
  const waiting = new Map(); // questions to the runner that are not answered yet
  const inRunner = new Set(); // names of the clips that it has

  // The code of worklet and runner comes once, in a hidden widget, for all benches of a notebook. It may come after the first Play.
  async function moduleUrl(name) {
    for (let tries = 0; tries < CODE_TRIES; tries++) {
      const holder = document.querySelector(".vocomp-live-code"), text = holder ? holder.textContent.trim() : "";
      if (text) {
        const code = JSON.parse(text);
        return URL.createObjectURL(new Blob([code.processors, code[name]], { type: "text/javascript" }));
      }
      await new Promise((resolve) => setTimeout(resolve, 100));
    }
    throw new Error("its code did not arrive");
  }

  function openShelf(context) {
    if (!shelves.has(context)) {
      const opening = moduleUrl("worklet").then((url) => context.audioWorklet.addModule(url)).then(() => {
        const node = new AudioWorkletNode(context, "vocomp-shelf"), clips = new Map(), bands = new Map();
        node.port.onmessage = ({ data }) => { for (const kind of [clips, bands]) if (kind.has(data)) kind.get(data).there(); };
        shelved.set(context, bands);
        return { node, clips, bands };
      });
      opening.catch(() => shelves.delete(context)); // the next Play tries again
      shelves.set(context, opening);
    }
    return shelves.get(context);
  }

  function openRunner() {
    opening = opening || moduleUrl("runner").then((url) => {
      runner = new Worker(url);
      runner.onmessage = ({ data: { id, held, rough, took, late } }) => {
        const answer = waiting.get(id);
        answers = true;
        waiting.delete(id);
        if (answer) answer(late ? null : { held, rough, took });
      };
      // Without it a voice starts as if there had been silence before, which is heard for a moment at most.
      runner.onerror = (event) => {
        event.preventDefault();
        broken = !answers; // or it was just this question
        for (const answer of waiting.values()) answer({ held: null, took: 0 });
        waiting.clear();
      };
    });
    opening.catch(() => { opening = null; });
    return opening;
  }

  function dropOldest(clips, but, taker) {
    for (const old of clips.keys()) {
      if (clips.size <= MOST_CLIPS) return;
      if (old === but) continue;
      clips.delete(old);
      taker.postMessage({ drop: old });
    }
  }

  return {
    possible,

    // Have worklet and worker ready. Fails where the browser doesn't let them run.
    open: (context) => Promise.all([openShelf(context), openRunner()]),

    // Have a clip ready under a name, after `open`; `decode` gives its AudioBuffer, and is asked only if the clip is not there yet. A
    // band goes through no chain, so the runner has no use for it.
    async shelve(context, name, decode, isBand = false) {
      const shelf = await openShelf(context), { node } = shelf, clips = isBand ? shelf.bands : shelf.clips;
      const takers = [!clips.has(name) && node.port, !isBand && !inRunner.has(name) && runner].filter(Boolean);
      if (takers.length) {
        const buffer = await decode();
        if (!buffer) return false;
        if (takers.includes(node.port)) {
          const clip = {};
          clip.arrived = new Promise((resolve) => { clip.there = resolve; });
          clips.set(name, clip);
        }
        if (!isBand) inRunner.add(name);
        for (const taker of takers) {
          const channels = Array.from({ length: buffer.numberOfChannels }, (_, c) => buffer.getChannelData(c).slice());
          taker.postMessage({ put: name, clip: { rate: buffer.sampleRate, channels } }, channels.map((channel) => channel.buffer));
        }
        dropOldest(clips, name, node.port);
        dropOldest(inRunner, name, runner);
      }
      await clips.get(name).arrived;
      clips.get(name).isThere = true;
      return true;
    },

    hasBand: (context, name) => Boolean(shelved.has(context) && shelved.get(context).has(name) && shelved.get(context).get(name).isThere),

    // What a chain remembers at a frame of a clip; null if another question for the same purpose came meanwhile. With `soon` the answer
    // comes in about a quarter of a second, and may be `rough`.
    heldAt(purpose, clip, spec, at, soon = false) {
      if (at <= 0 || broken) return Promise.resolve({ held: null, took: 0 });
      return new Promise((resolve) => {
        waiting.set(++asked, resolve);
        runner.postMessage({ id: asked, purpose, clip, spec, at, soon });
      });
    },

    // A source for the loudspeaker: see `change` in speaker.js. Where the spec has a band, that is the last of its tracks.
    source(clip, spec, held, { loopHeld, channels, tracks, heard, ended, failed, taken = () => {} }) {
      const names = spec.band ? [...tracks, "band"] : tracks;
      let node = null;
      const inFrames = (loop) => loop && loop.map((seconds) => Math.round(seconds * node.context.sampleRate));
      return {
        spec,
        start(context, gains, at, seconds, loop) {
          const rate = context.sampleRate;
          node = { context };
          node = new AudioWorkletNode(context, "vocomp-live", {
            numberOfInputs: 0, numberOfOutputs: names.length,
            outputChannelCount: names.map((name) => (name === "band" ? spec.band.channels : channels)),
            processorOptions: { clip, spec, held, loop: inFrames(loop), loopHeld, from: Math.round(at * rate), at: Math.round(seconds * rate) },
          });
          node.port.onmessage = ({ data }) => (data.ended ? ended() : data.taken ? taken() : heard(data));
          node.onprocessorerror = failed;
          names.forEach((name, output) => node.connect(gains[name], output));
        },
        stop(at) { node.port.postMessage({ stopAt: at === undefined ? 0 : at * node.context.sampleRate }); },
        set(spec) { this.spec = spec; node.port.postMessage({ spec }); },
        goRound(loop, loopHeld) { node.port.postMessage({ loop: inFrames(loop), loopHeld }); },
      };
    },
  };
})();

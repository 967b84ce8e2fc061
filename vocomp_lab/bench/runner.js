// Beside the page, in a worker: takes a clip through a chain up to the place where it shall be heard next, so that every detector and
// filter there is as if it had played all along.
(() => {
  "use strict";
  const { BLOCK } = vocompTape, { Chain } = vocompChain;
  const LONGEST_S = 30; // further back than this, nothing in a chain remembers more than a thousandth
  const SLICE_S = 0.25, MARK_S = 1, MOST_MARKS = 32;
  // Whoever waits to hear something gets an answer after about this time, if need be from a chain that has not warmed up wholly. While
  // they hear that one, they can ask for the right one.
  const SOON_MS = 250, SHORTEST_S = 0.5;
  const clips = new Map();
  const asked = new Map(); // by what the answer is for: only the newest question of each counts
  let marks = { key: "", at: new Map() }; // what the chain held on its way the last time, for the next question about the same one

  // How far back a chain must start: a dozen of its longest time constants.
  function memoryFrames(stages, rate) {
    let longest = 50;
    for (const s of stages) {
      for (const field of ["attack_ms", "release_ms", "rms_ms", "memory_ms"]) longest = Math.max(longest, s[field] || 0);
      longest = Math.max(longest, 4 * (s.tail_ms || 0), s.type === "TubeCompressor" ? 6 * s.release_ms : 0, s.type === "DeEsser" ? 2000 : 0);
    }
    return Math.round(Math.min((12 * longest) / 1000, LONGEST_S) * rate);
  }

  // Whole blocks before `at`, and so perhaps a little before the clip, where there is silence: then nothing of what comes after `at` is
  // computed yet, and a setting that changes there changes all of it.
  const blocksBefore = (at, frames) => at - BLOCK * Math.ceil(frames / BLOCK);
  const inBlocks = (seconds, rate) => BLOCK * Math.ceil((seconds * rate) / BLOCK);

  // How many frames the chain does in the time that somebody waits.
  function framesSoon(clip, spec, at) {
    const trial = new Chain(clip, spec, at), frames = inBlocks(SLICE_S / 2, clip.rate), started = performance.now();
    trial.goTo(at + frames);
    return (frames * SOON_MS) / Math.max(performance.now() - started, 0.1);
  }

  // The chain as near before `at` as is known, or at rest as far back as it remembers; and whether it has not warmed up wholly.
  function start(clip, name, spec, at, soon) {
    const key = JSON.stringify([name, spec.stages, spec.last], (_, value) => (value === Infinity ? "inf" : value));
    if (key !== marks.key) marks = { key, at: new Map() };
    const back = Math.min(at, memoryFrames(spec.stages, clip.rate)), near = [...marks.at.keys()].filter((mark) => mark <= at && mark > at - back);
    if (near.length) return { chain: new Chain(clip, spec, Math.max(...near), marks.at.get(Math.max(...near))), rough: false };
    const able = soon ? Math.max(framesSoon(clip, spec, blocksBefore(at, back)), SHORTEST_S * clip.rate) : Infinity;
    return { chain: new Chain(clip, spec, blocksBefore(at, Math.min(back, able))), rough: able < back };
  }

  async function answer(job) {
    const { id, purpose, clip: name, spec, at, soon } = job, clip = clips.get(name), started = performance.now();
    if (!clip) return postMessage({ id, held: null });
    const { chain, rough } = start(clip, name, spec, at, soon), kept = marks;
    for (let marked = chain.at; chain.at < at; ) {
      chain.goTo(Math.min(chain.at + inBlocks(SLICE_S, clip.rate), at));
      if (!rough && chain.at - marked >= MARK_S * clip.rate) {
        kept.at.set((marked = chain.at), chain.save());
        if (kept.at.size > MOST_MARKS) kept.at.delete(kept.at.keys().next().value);
      }
      await new Promise((resolve) => setTimeout(resolve)); // for newer questions
      if (asked.get(purpose) !== job) return postMessage({ id, late: true });
    }
    asked.delete(purpose);
    postMessage({ id, held: chain.save(), rough, took: performance.now() - started });
  }

  onmessage = ({ data }) => {
    if (data.drop) clips.delete(data.drop);
    if (data.put) clips.set(data.put, data.clip);
    if (!data.spec) return;
    // A drag along the position asks faster than it can be answered.
    const before = asked.get(data.purpose);
    asked.set(data.purpose, data);
    if (before && !before.begun) postMessage({ id: before.id, late: true });
    setTimeout(() => {
      if (asked.get(data.purpose) !== data) return;
      data.begun = true;
      answer(data);
    });
  };
})();

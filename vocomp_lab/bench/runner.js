// Beside the page, in a worker: takes a clip through a chain up to the place where it shall be heard next, so that every detector and
// filter there is as if it had played all along.
(() => {
  "use strict";
  const { BLOCK } = vocompTape, { Chain } = vocompChain;
  const LONGEST_S = 30; // further back than this, nothing in a chain remembers more than a thousandth
  const clips = new Map();
  const asked = new Map(); // by what the answer is for: only the newest question of each counts

  // How far back a chain must start: a dozen of its longest time constants.
  function memoryFrames(stages, rate) {
    let longest = 50;
    for (const s of stages) {
      for (const field of ["attack_ms", "release_ms", "rms_ms", "memory_ms"]) longest = Math.max(longest, s[field] || 0);
      longest = Math.max(longest, 4 * (s.tail_ms || 0), s.type === "TubeCompressor" ? 6 * s.release_ms : 0, s.type === "DeEsser" ? 2000 : 0);
    }
    return Math.round(Math.min((12 * longest) / 1000, LONGEST_S) * rate);
  }

  function answer(purpose) {
    const { id, clip, spec, at } = asked.get(purpose);
    asked.delete(purpose);
    const known = clips.get(clip), started = performance.now();
    if (!known) return postMessage({ id, held: null });
    // A whole number of blocks before `at`, and so perhaps a little before the clip, where there is silence: then nothing of what
    // comes after `at` is computed yet, and a setting that changes there changes all of it.
    const back = Math.min(at, memoryFrames(spec.stages, known.rate));
    const chain = new Chain(known, spec, at - BLOCK * Math.ceil(back / BLOCK));
    chain.goTo(at);
    postMessage({ id, held: chain.save(), took: performance.now() - started });
  }

  onmessage = ({ data }) => {
    if (data.drop) clips.delete(data.drop);
    if (data.put) clips.set(data.put, data.clip);
    if (!data.spec) return;
    // A drag along the position asks faster than it can be answered.
    const { purpose } = data, before = asked.get(purpose);
    if (before) postMessage({ id: before.id, late: true });
    else setTimeout(answer, 0, purpose);
    asked.set(purpose, data);
  };
})();

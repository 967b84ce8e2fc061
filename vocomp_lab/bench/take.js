// The takes of this page that are neither kept nor given up. A take is plain data, so that it goes over to another box when its own is
// gone: its samples in pieces of one size (`chunks`, or null where only Python has them), its number of `frames`, whether it has `ended`,
// and what is `wanted` of it.
window.vocompTakes = window.vocompTakes || (() => {
  "use strict";
  const LOUDER = 2; // so many times the other input's peak counts as the voice being on this one
  const held = new Map(); // by token
  const newToken = () => Math.random().toString(16).slice(2, 14) || "0";

  // The time by the clock of the student's own computer.
  function stamp() {
    const now = new Date();
    return new Date(now.getTime() - 60000 * now.getTimezoneOffset()).toISOString().slice(0, 19);
  }

  // A take from a frame of the clock on, `first`. Whoever presses Record before singing a note may have the microphone on the other input:
  // all `inputs` are recorded, and the louder one stays.
  function begin({ rate, first, inputs, most, pieceFrames, root, keeps }) {
    const take = {
      token: newToken(), rate, first, frames: 0, most, pieceFrames, chunks: [],
      inputs: Array.from({ length: inputs }, () => ({ chunks: [], peak: 0 })), ended: false, wanted: "", root, keeps, started: stamp(),
    };
    held.set(take.token, take);
    return take;
  }

  // One that only Python has, as its state says.
  function fromPython({ token, rate, seconds }, root) {
    return { token, rate, frames: Math.round(seconds * rate), chunks: null, ended: true, wanted: "", root, keeps: true, started: "" };
  }

  // Add blocks of samples, one for each input, which begin at a frame of the clock. Tells whether a piece became whole.
  function add(take, { from, blocks }, used) {
    const length = blocks[0].length;
    let at = Math.max(0, Math.min(length, take.first - from)), whole = false;
    const end = Math.min(length, at + take.most - take.frames);
    while (at < end) {
      const filled = take.frames % take.pieceFrames, count = Math.min(end - at, take.pieceFrames - filled);
      for (const [n, input] of take.inputs.entries()) {
        const samples = blocks[Math.min(take.inputs.length > 1 ? n : used, blocks.length - 1)].subarray(at, at + count);
        if (!filled) input.chunks.push(new Float32Array(take.pieceFrames));
        input.chunks.at(-1).set(samples, filled);
        input.peak = samples.reduce((most, sample) => Math.max(most, Math.abs(sample)), input.peak);
      }
      take.chunks = take.inputs[Math.min(used, take.inputs.length - 1)].chunks;
      take.frames += count;
      at += count;
      whole ||= take.frames % take.pieceFrames === 0;
    }
    return whole;
  }

  // The end of a take. Where the other of two inputs was the louder, that one stays, as another take for Python, from its start; tells
  // whether it does.
  function end(take, used) {
    const [mine, other] = [used, 1 - used].map((c) => take.inputs[c]), changes = take.inputs.length > 1 && other.peak > LOUDER * mine.peak;
    if (changes) {
      held.delete(take.token);
      take.token = newToken();
      held.set(take.token, take);
      take.chunks = other.chunks;
    }
    take.inputs = [];
    take.ended = true;
    return changes;
  }

  // How many pieces there are to hand over by now; the last one is whole only by the end.
  function pieces({ chunks, ended, frames, pieceFrames }) {
    return chunks ? (ended ? chunks.length : Math.floor(frames / pieceFrames)) : 0;
  }
  const piece = ({ chunks, frames, pieceFrames }, n) => chunks[n].subarray(0, Math.min(pieceFrames, frames - n * pieceFrames));

  function samples(take) {
    const whole = new Float32Array(take.frames);
    take.chunks.forEach((_, n) => whole.set(piece(take, n), n * take.pieceFrames));
    return whole;
  }

  // The take as a file: WAV in 32-bit floats.
  function file(take) {
    const data = samples(take), head = new DataView(new ArrayBuffer(44));
    const text = (at, letters) => [...letters].forEach((letter, n) => head.setUint8(at + n, letter.charCodeAt(0)));
    text(0, "RIFF"); head.setUint32(4, 36 + 4 * data.length, true); text(8, "WAVEfmt "); head.setUint32(16, 16, true);
    head.setUint16(20, 3, true); head.setUint16(22, 1, true); head.setUint32(24, take.rate, true); head.setUint32(28, 4 * take.rate, true);
    head.setUint16(32, 4, true); head.setUint16(34, 32, true); text(36, "data"); head.setUint32(40, 4 * data.length, true);
    return { name: `take_${take.started.replace("T", "_").replaceAll(":", "-")}.wav`, blob: new Blob([head, data], { type: "audio/wav" }) };
  }

  return { LOUDER, held, begin, fromPython, add, end, pieces, piece, samples, file, drop: (take) => held.delete(take.token) };
})();

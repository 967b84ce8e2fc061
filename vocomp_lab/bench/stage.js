// What a stage of a chain in the page is, and the clip that all begins with. Each stage does what the Python class of the same name in
// vocomp_lab/processors does, by the same equations and the same settings; tests/test_live_page.py holds the two to each other.
//
// Sound is pulled: whoever wants frames of a stage has it advance, a block at a time, and the stage has the one before it advance as far
// as it must look ahead. So the sound at the ear is never late, and everything a stage holds is plain numbers that can be copied.
const vocompStage = (() => {
  "use strict";
  const { BLOCK, Tape } = vocompTape;

  // A stage takes sound from the one before it and keeps what it made on a tape. `held` is all that it remembers besides: plain numbers
  // and arrays of numbers.
  class Stage {
    constructor(before, settings, at) {
      Object.assign(this, { before, rate: before.rate, frames: before.frames, channels: before.channels });
      this.out = new Tape(before.channels, at);
      this.held = this.rest(at);
      this.set(settings);
    }
    rest() { return {}; }
    set(settings) { this.settings = settings; }
    // The first frame of the stage before that is still needed.
    needs() { return this.out.end; }
    // What is on the tape of the stage before from this frame to that, whose arrays may have moved by the next call.
    need(to) {
      while (this.before.out.end < to) this.before.advance();
      return this.before.out;
    }
    advance() {
      const at = this.out.grow(BLOCK), from = this.out.end - BLOCK;
      this.make(from, at);
      // After the end of the clip there is nothing, whatever still rings.
      const spare = Math.min(Math.max(from + BLOCK - this.frames, 0), BLOCK);
      if (spare) for (const data of this.out.data) data.fill(0, at + BLOCK - spare, at + BLOCK);
    }
    reductionAt() { return 0; }
    makeup() { return 0; }
    // What was removed: the first share of what came in, less the second of what went out.
    removedShares() { return [1, 1]; }
  }

  class Source {
    constructor({ rate, channels }, at) {
      Object.assign(this, { rate, frames: channels[0].length, channels: channels.length, clip: channels });
      this.out = new Tape(channels.length, at);
      this.held = {};
    }
    needs() { return this.out.end; }
    advance() {
      // Before the clip and after it there is silence.
      const at = this.out.grow(BLOCK), from = this.out.end - BLOCK, first = Math.min(Math.max(-from, 0), BLOCK);
      const there = Math.min(Math.max(this.frames - from, first), BLOCK);
      this.out.data.forEach((data, c) => {
        data.fill(0, at, at + BLOCK);
        for (let n = first; n < there; n++) data[at + n] = this.clip[c][from + n];
      });
    }
  }

  return { Stage, Source };
})();

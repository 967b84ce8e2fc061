// What the stages of a chain in the page keep sound on: a stretch of it, with the places of its first frame and of the one after its
// last. It grows at the end, a block at a time, and forgets at the start.
const vocompTape = (() => {
  "use strict";
  const BLOCK = 128; // what an audio worklet computes at a time

  class Tape {
    constructor(channels, start) {
      this.start = this.end = start;
      this.from = start; // place of the first frame that is kept in the arrays
      this.data = Array.from({ length: channels }, () => new Float64Array(16 * BLOCK));
    }
    // Make room for some frames at the end, and tell where in the arrays they go.
    grow(frames) {
      let size = this.data[0].length;
      if (this.end - this.from + frames > size) {
        const gone = this.start - this.from, kept = this.end - this.start;
        while (kept + frames > size / 2) size *= 2;
        this.data = this.data.map((old) => {
          if (size === old.length) return old.copyWithin(0, gone, gone + kept);
          const fresh = new Float64Array(size);
          fresh.set(old.subarray(gone, gone + kept));
          return fresh;
        });
        this.from = this.start;
      }
      const at = this.end - this.from;
      this.end += frames;
      return at;
    }
    put(value) {
      const at = this.grow(1); // which may put other arrays in place
      this.data[0][at] = value;
    }
    forget(before) { if (before > this.start) this.start = Math.min(before, this.end); }
  }

  return { BLOCK, Tape };
})();

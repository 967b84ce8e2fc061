// What is heard while the page makes the sound itself: an audio worklet that takes a clip through a chain of processors (chain.js) and
// plays what goes in, what comes out and what was removed side by side, each as an output of its own. A band that is heard with it is one
// more output, read frame by frame at the same place.
(() => {
  "use strict";
  const { BLOCK } = vocompTape, { Chain } = vocompChain;
  const FADE_S = 0.01; // from one setting to the next, and from the end of a loop to its start: too short to hear, too long to click
  const METERS_PER_S = 30;
  const AFTER = 1, BAND = 3; // of the outputs, which are what goes in, what comes out, what was removed, and the band, as a bench names its tracks
  const MOST_OVER = 1.26; // 2 dB
  const OUT_OF_ALL_MEASURE = 32; // 30 dB: more than any make-up gain
  const PEAK_KEPT = Math.exp(-BLOCK / sampleRate); // falls over about a second
  const clips = new Map(); // by the name that the page gives them; what is heard in this page shares them

  // Takes clips in, so that they are sent once and not for every voice.
  registerProcessor("vocomp-shelf", class extends AudioWorkletProcessor {
    constructor() {
      super();
      this.port.onmessage = ({ data: { put, drop, clip } }) => {
        if (drop) clips.delete(drop);
        if (put) { clips.set(put, clip); this.port.postMessage(put); }
      };
    }
    process() { return true; }
  });

  // Going round in less than a block would leave no time for anything else.
  const round = (loop) => (loop && loop[1] - loop[0] >= BLOCK ? loop : null);

  // A chain that is read in stretches of any length. What comes out is as loud as what goes in, as far as that has been measured.
  class Reader {
    constructor(chain, recentPeak, band) {
      Object.assign(this, { chain, band });
      this.blocks = [0, 1, 2].map(() => Array.from({ length: chain.source.channels }, () => new Float32Array(BLOCK)));
      this.read = BLOCK;
      this.match = this.matchFrom = null;
      this.recentPeak = recentPeak;
    }
    get left() { return this.read < BLOCK ? BLOCK - this.read : BLOCK; }

    next() {
      const { chain, blocks } = this, { match, measured } = chain.spec;
      chain.read(...blocks);
      this.read = 0;
      const [before, after, removed] = blocks.map((channels) => Math.max(...channels.map((channel) => channel.reduce((most, x) => Math.max(most, Math.abs(x)), 0))));
      this.recentPeak = Math.max(before, this.recentPeak * PEAK_KEPT);
      // No setting of ours does this. It would be a mistake, and nobody shall hear it: the error ends the voice.
      if (!(Math.max(after * match, removed) <= OUT_OF_ALL_MEASURE * Math.max(1, this.recentPeak))) throw new Error("out of all measure");
      // A setting that is not measured yet must not startle: its peaks stay near those of what goes in.
      const gain = measured || after * match <= MOST_OVER * this.recentPeak ? match : (MOST_OVER * this.recentPeak) / after;
      this.matchFrom = this.match === null ? gain : this.match;
      this.match = gain;
    }

    // What makes a frame of the block as loud as what goes in: it rises over the block, and falls at once.
    matchAt(frame) {
      const { match, matchFrom } = this;
      return match < matchFrom ? match : matchFrom + ((match - matchFrom) * frame) / BLOCK;
    }

    // Add so many frames to the outputs, with a gain that moves in a straight line.
    add(outputs, at, count, gain, step) {
      if (this.read === BLOCK) this.next();
      if (outputs.length > BAND && this.band) this.addBand(outputs[BAND], at, count, gain, step);
      for (let o = 0; o < Math.min(outputs.length, BAND); o++) {
        for (let c = 0; c < outputs[o].length; c++) {
          const from = this.blocks[o][c], to = outputs[o][c];
          for (let n = 0; n < count; n++) to[at + n] += from[this.read + n] * (gain + n * step) * (o === AFTER ? this.matchAt(this.read + n) : 1);
        }
      }
      this.read += count;
    }

    addBand(output, at, count, gain, step) {
      // The chain has read on to the end of the block. Outside the band there is silence.
      const { chain, band } = this, from = chain.at - BLOCK + this.read + chain.spec.band.at;
      const first = Math.max(-from, 0), last = Math.min(band.channels[0].length - from, count);
      for (let c = 0; c < output.length; c++) {
        const samples = band.channels[c], to = output[c];
        for (let n = first; n < last; n++) to[at + n] += samples[from + n] * (gain + n * step);
      }
    }
  }

  registerProcessor("vocomp-live", class extends AudioWorkletProcessor {
    // `from` is the context's frame at which it begins, `at` the clip's. `loop` is null, or the clip's frames between which it goes round;
    // `held` and `loopHeld` are what the chain remembers at `at` and at the loop's start.
    constructor({ processorOptions: { clip, spec, from, at, held, loop, loopHeld } }) {
      super();
      Object.assign(this, { clip: clips.get(clip), spec, from, place: at, loop: round(loop), loopHeld, wanted: null, next: null, faded: 0, over: false });
      this.band = spec.band ? clips.get(spec.band.id) : null;
      this.now = new Reader(new Chain(this.clip, spec, at, held), 0, this.band);
      Object.assign(this, { started: false, stopAt: Infinity });
      this.fade = Math.round(FADE_S * sampleRate);
      this.port.onmessage = ({ data }) => {
        if (data.spec) { this.wanted = data.spec; this.port.postMessage({ taken: true }); }
        if ("loop" in data) Object.assign(this, { loop: round(data.loop), loopHeld: data.loopHeld });
        if ("stopAt" in data) this.stopAt = data.stopAt;
      };
      this.needle = { y: 0, memory: [0, 0] };
      this.restMeter();
    }

    process(_, outputs) {
      const frames = outputs[0][0].length;
      if (this.over || currentFrame > this.stopAt) return false;
      if (currentFrame + frames <= this.from) return true;
      let n = 0;
      if (!this.started) {
        this.started = true;
        n = Math.max(this.from - currentFrame, 0);
        // Where the worklet comes late to its first frames it leaves them out, in whole blocks: the position that the page shows is
        // right from the start.
        const late = BLOCK * Math.ceil(Math.max(currentFrame - this.from, 0) / BLOCK);
        if (late > 0) {
          this.now.chain.goTo((this.place += late));
          n = this.from + late - currentFrame;
        }
      }
      while (n < frames && !this.over) n += this.some(outputs, n, frames - n);
      return !this.over;
    }

    // Play up to so many frames, as long as nothing changes meanwhile.
    some(outputs, at, most) {
      const end = this.loop ? this.loop[1] : this.clip.channels[0].length;
      if (this.place >= end) {
        if (!this.loop) {
          this.over = true;
          this.port.postMessage({ ended: true });
          return most;
        }
        if (this.next) this.now = this.next; // a fade that is not done yet is cut short
        this.begin(new Chain(this.clip, this.spec, this.loop[0], this.loop[0] > 0 ? this.loopHeld : null));
        this.place = this.loop[0];
      }
      if (this.wanted && !this.next && this.now.read === BLOCK) {
        this.spec = this.wanted;
        this.wanted = null;
        this.begin(this.now.chain.changed(this.spec));
      }
      let count = Math.min(most, this.now.left, end - this.place);
      if (this.next) {
        count = Math.min(count, this.next.left, this.fade - this.faded);
        const step = 1 / this.fade, gain = this.faded * step;
        this.now.add(outputs, at, count, 1 - gain, -step);
        this.next.add(outputs, at, count, gain, step);
        this.faded += count;
        if (this.faded >= this.fade) { this.now = this.next; this.next = null; }
      } else this.now.add(outputs, at, count, 1, 0);
      this.measure(count);
      this.place += count;
      return count;
    }

    begin(chain) {
      this.next = new Reader(chain, this.now.recentPeak, this.band);
      this.faded = 0;
    }

    // ---- the needle: levels in and out, and the reduction, some thirty times a second ---------------------------------------------

    // One frame of a needle with the mechanics of reduction_needle in meters.py, which gives its filter.
    moveNeedle(x) {
      const [b, a] = this.spec.needle, { memory } = this.needle, y = b[0] * x + memory[0];
      memory[0] = b[1] * x - a[1] * y + memory[1];
      memory[1] = b[2] * x - a[2] * y;
      this.needle.y = Math.max(y, 0);
    }

    restMeter() { this.meter = { frames: 0, least: Infinity, most: 0, peaks: [0, 0], squares: [0, 0] }; }

    measure(count) {
      const { meter } = this, { chain, blocks, read } = this.next || this.now, reducing = chain.reducing;
      for (let o = 0; o < 2; o++) {
        for (const channel of blocks[o]) {
          for (let n = read - count; n < read; n++) {
            meter.peaks[o] = Math.max(meter.peaks[o], Math.abs(channel[n]));
            meter.squares[o] += (channel[n] * channel[n]) / blocks[o].length;
          }
        }
      }
      if (reducing.length) {
        for (let n = 0; n < count; n++) {
          let reduction = 0;
          for (const stage of reducing) reduction += stage.reductionAt(this.place + n);
          this.moveNeedle(reduction);
          if (reduction > meter.most) meter.most = reduction;
          if (reduction < meter.least) meter.least = reduction;
        }
      }
      meter.frames += count;
      if (meter.frames < sampleRate / METERS_PER_S) return;
      const { frames, least, most, peaks, squares } = meter;
      const reduction = reducing.length ? { least, most, needle: this.needle.y } : null;
      this.port.postMessage({ place: this.place + count, frames, reduction, peaks, powers: squares.map((sum) => sum / frames) });
      this.restMeter();
    }
  });
})();

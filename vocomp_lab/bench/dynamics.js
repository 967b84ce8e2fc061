// What turns gain down in the page: a detector that may listen ahead, a smoother (smoothers.js), and the gain.
const vocompDynamics = (() => {
  "use strict";
  const { amplitudeOf, dbOf, powerDbOf } = vocompDecibels, { BLOCK, Tape } = vocompTape, { Stage } = vocompStage;
  const { TINY, highPass, filter } = vocompFilters, { coefficient, smootherOf } = vocompSmoothers;
  const KEPT = 4096; // frames of reduction that stay readable behind the sound

  // The kinds differ in `detect` and `smooth`.
  class Dynamics extends Stage {
    rest(at) {
      return {
        heard: at, // the next frame that the detector hears
        memory: this.before.out.data.map(() => new Float64Array(2)), // of the side-chain filter
        square: 0, y: 0, second: 0, past: 0, // of the detector and the smoothers
        reduction: new Tape(1, at),
      };
    }
    set(settings) {
      super.set(settings);
      const s = settings, rate = this.rate;
      this.slope = s.ratio === Infinity ? 1 : 1 - 1 / s.ratio;
      this.attack = coefficient(s.attack_ms, rate);
      this.release = coefficient(s.release_ms, rate);
      this.ahead = Math.round(((s.lookahead_ms || 0) * rate) / 1000);
      this.averaging = s.rms_ms === undefined ? 0 : coefficient(s.rms_ms, rate);
      this.byPower = s.type === "VcaCompressor" || s.detector === "rms";
      this.sideChain = s.sidechain_highpass_hz ? highPass({ freq_hz: s.sidechain_highpass_hz, order: 2 }, rate) : null;
      this.learning = s.memory_ms === undefined ? 0 : coefficient(s.memory_ms, rate);
      this.smooth = smootherOf(s);
      this.mix = s.mix === undefined ? 1 : s.mix;
      this.scratch = new Float64Array(this.channels);
    }
    makeup() { return this.settings.makeup_db || 0; }
    removedShares() {
      const undo = amplitudeOf(-this.makeup());
      return [this.mix + (1 - this.mix) * undo, undo];
    }
    reductionAt(frame) {
      const tape = this.held.reduction;
      return frame >= tape.start && frame < tape.end ? tape.data[0][frame - tape.from] : 0;
    }

    // The level that the gain computer sees at the next frame, from the sound there.
    detect(source, offset) {
      const h = this.held, { scratch, channels } = this;
      for (let c = 0; c < channels; c++) {
        scratch[c] = source.data[c][offset];
        if (this.sideChain) filter(this.sideChain, h.memory[c], scratch, c, c + 1);
      }
      let level = 0;
      if (this.byPower) {
        for (let c = 0; c < channels; c++) level += scratch[c] * scratch[c];
        h.square = this.averaging * h.square + (1 - this.averaging) * (level / channels);
        if (h.square < TINY) h.square = 0;
        return powerDbOf(h.square);
      }
      for (let c = 0; c < channels; c++) level = Math.max(level, Math.abs(scratch[c]));
      return dbOf(level);
    }

    // Have the reduction ready up to a frame. Where the look-ahead has just become shorter, the last value holds until the sound is
    // there; where it has become longer, the detector catches up.
    reduce(to) {
      const h = this.held, tape = h.reduction;
      while (tape.end < to) {
        const due = tape.end + this.ahead;
        if (h.heard > due) {
          tape.put(Math.max(h.y, h.second, 0));
          continue;
        }
        const source = this.need(h.heard + 1), most = Math.min(source.end, to + this.ahead);
        for (; h.heard < most; h.heard++) {
          const reduction = Math.max(this.smooth(this.detect(source, h.heard - source.from)), 0);
          if (h.heard >= tape.end + this.ahead) tape.put(reduction);
        }
      }
    }

    make(from, at) {
      this.reduce(from + BLOCK);
      const source = this.need(from + BLOCK), offset = from - source.from, { mix, out } = this, makeup = this.makeup();
      const { reduction } = this.held, curve = reduction.data[0], place = from - reduction.from;
      for (let n = 0; n < BLOCK; n++) {
        const gain = mix * amplitudeOf(makeup - curve[place + n]) + 1 - mix;
        for (let c = 0; c < this.channels; c++) out.data[c][at + n] = source.data[c][offset + n] * gain;
      }
      reduction.forget(from - KEPT);
    }
  }

  return { KEPT, Dynamics };
})();

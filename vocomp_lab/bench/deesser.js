// The page's de-esser: see deesser.py. The band above a frequency is split off by a filter run forwards and then backwards (see
// zero_phase.py). The backward run begins so far ahead that the error of its start has faded.
const vocompDeEsser = (() => {
  "use strict";
  const { amplitudeOf, powerDbOf } = vocompDecibels, { BLOCK, Tape } = vocompTape, { TINY, highPass, filter } = vocompFilters;
  const { coefficient, branching, staticReduction } = vocompSmoothers, { KEPT, Dynamics } = vocompDynamics;
  const FADED = 1e-9, EDGE = 9;

  function smoothHiss(level) {
    const h = this.held, s = this.settings;
    return (h.y = branching(h.y, Math.min(staticReduction(level, s.threshold_db, this.slope, s.knee_db), s.range_db), this.attack, this.release));
  }

  class DeEsser extends Dynamics {
    rest(at) {
      const { channels } = this;
      return {
        ...super.rest(at), voice: 0,
        forward: new Tape(channels, Math.max(at, 0)), // the first of the two runs
        high: new Tape(channels, Math.max(at, 0)), // and the second
        running: Array.from({ length: channels }, () => new Float64Array(2)),
      };
    }
    set(settings) {
      super.set({ makeup_db: 0, mix: 1, ...settings });
      const made = highPass({ freq_hz: settings.freq_hz, order: 2 }, this.rate), a2 = made[0][4];
      this.sections = made;
      this.reach = Math.ceil(Math.log(FADED) / Math.log(Math.sqrt(Math.abs(a2)))) + BLOCK;
      this.averaging = coefficient(2, this.rate);
      this.rise = coefficient(150, this.rate);
      this.fall = coefficient(2000, this.rate);
      this.smooth = smoothHiss;
      this.band = new Float64Array(0);
    }
    needs() { return Math.min(this.out.end, this.held.forward.end) - EDGE; }
    // The steady state of a high-pass under a constant input.
    resting(memory, x) { const [b0, , b2] = this.sections[0]; memory[0] = -b0 * x; memory[1] = b2 * x; }

    // The sound and, beyond both ends of the clip, its mirror image.
    ended(source, c, frame) {
      const last = this.frames - 1, x = (k) => source.data[c][k - source.from];
      return frame < 0 ? 2 * x(0) - x(-frame) : frame <= last ? x(frame) : 2 * x(last) - x(2 * last - frame);
    }

    runForward(to) {
      const { forward, running } = this.held, edge = Math.min(this.frames - 1, EDGE);
      to = Math.min(to, this.frames + edge);
      if (to <= forward.end) return;
      const source = this.need(Math.min(to, this.frames)), first = forward.end, place = forward.grow(to - first);
      for (let c = 0; c < this.channels; c++) {
        const data = forward.data[c];
        if (first === 0) {
          const start = Float64Array.from({ length: edge }, (_, n) => this.ended(source, c, n - edge));
          this.resting(running[c], edge ? start[0] : source.data[c][-source.from]);
          filter(this.sections, running[c], start, 0, edge);
        }
        for (let n = 0; n < to - first; n++) data[place + n] = this.ended(source, c, first + n);
        filter(this.sections, running[c], data, place, place + to - first);
      }
    }

    runBackward(to) {
      const { forward, high } = this.held, first = high.end;
      if (to <= first) return;
      this.runForward(to + this.reach);
      const end = forward.end, count = end - first, memory = new Float64Array(2);
      if (this.band.length < count) this.band = new Float64Array(2 * count);
      const place = high.grow(to - first), { band } = this;
      for (let c = 0; c < this.channels; c++) {
        const data = forward.data[c], last = end - 1 - forward.from;
        for (let n = 0; n < count; n++) band[n] = data[last - n];
        this.resting(memory, band[0]);
        filter(this.sections, memory, band, 0, count);
        for (let n = 0; n < to - first; n++) high.data[c][place + n] = band[count - 1 - n];
      }
      forward.forget(to);
    }

    // The level of the hiss, on the threshold's scale.
    detect(source, offset) {
      const h = this.held, { high } = h, { channels, settings } = this, place = source.from + offset - high.from;
      let power = 0, whole = 0;
      for (let c = 0; c < channels; c++) {
        if (place >= 0) power += high.data[c][place] ** 2;
        whole += source.data[c][offset] ** 2;
      }
      h.square = this.averaging * h.square + (1 - this.averaging) * (power / channels);
      if (h.square < TINY) h.square = 0;
      h.voice = Math.max(branching(h.voice, whole / channels, this.rise, this.fall), 0);
      if (h.voice < TINY) h.voice = 0;
      const level = powerDbOf(h.square);
      if (settings.reference !== "voice") return level;
      return level - Math.max(powerDbOf(h.voice), Math.max(settings.input_dbfs - 6, -120));
    }

    make(from, at) {
      const to = from + BLOCK, { high, reduction } = this.held;
      this.runBackward(Math.min(to, Math.max(this.frames, high.end)));
      if (high.end < to) high.grow(to - high.end); // after the end of the clip, where nothing is heard
      this.reduce(to);
      const source = this.need(to), all = this.settings.mode !== "split-band", curve = reduction.data[0];
      for (let n = Math.max(-from, 0); n < BLOCK; n++) {
        const taken = 1 - amplitudeOf(-curve[from + n - reduction.from]);
        for (let c = 0; c < this.channels; c++) {
          const x = source.data[c][from + n - source.from];
          this.out.data[c][at + n] = x - taken * (all ? x : high.data[c][from + n - high.from]);
        }
      }
      high.forget(to);
      reduction.forget(from - KEPT);
    }
  }

  return { DeEsser };
})();

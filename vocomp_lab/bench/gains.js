// The page's gain, and its gain along a line: see gain.py and clip_gain.py.
const vocompGains = (() => {
  "use strict";
  const { amplitudeOf } = vocompDecibels, { BLOCK } = vocompTape, { Stage } = vocompStage;

  class Gain extends Stage {
    set(settings) { super.set(settings); this.factor = Math.pow(10, settings.gain_db / 20); }
    make(from, at) {
      const source = this.need(from + BLOCK), offset = from - source.from;
      this.out.data.forEach((data, c) => {
        for (let n = 0; n < BLOCK; n++) data[at + n] = source.data[c][offset + n] * this.factor;
      });
    }
  }

  // Gain along a line through points, `times` in seconds and `factors`: see ClipGain in clip_gain.py.
  class ClipGain extends Stage {
    set(settings) {
      super.set(settings);
      const { regions, crossfade_ms } = settings, borders = [];
      let level = 1, lastEnd = 0;
      for (const { start_s, end_s, gain_db } of regions) {
        const gain = amplitudeOf(gain_db);
        if (start_s > lastEnd && level !== 1) { borders.push([lastEnd, level, 1]); level = 1; }
        if (start_s > 0) borders.push([start_s, level, gain]);
        level = gain;
        lastEnd = end_s;
      }
      if (regions.length) borders.push([lastEnd, level, 1]);
      this.times = [];
      this.factors = [];
      borders.forEach(([at, before, after], n) => {
        const left = n ? (at - borders[n - 1][0]) / 2 : regions[0].start_s > 0 ? at : at / 2;
        const right = n + 1 < borders.length ? (borders[n + 1][0] - at) / 2 : Infinity;
        const half = Math.min(crossfade_ms / 2000, left, right);
        this.times.push(at - half, at + half);
        this.factors.push(before, after);
      });
      this.place = 0;
    }
    // The line's value; asked for at rising times.
    factorAt(time) {
      const { times, factors } = this, last = times.length - 1;
      if (last < 0) return 1;
      if (this.place && times[this.place - 1] > time) this.place = 0;
      while (this.place <= last && times[this.place] <= time) this.place++;
      const next = this.place;
      if (next === 0) return factors[0];
      if (next > last) return factors[last];
      return factors[next - 1] + ((factors[next] - factors[next - 1]) * (time - times[next - 1])) / (times[next] - times[next - 1]);
    }
    make(from, at) {
      const source = this.need(from + BLOCK), offset = from - source.from;
      for (let n = 0; n < BLOCK; n++) {
        const factor = this.factorAt((from + n) / this.rate);
        for (let c = 0; c < this.channels; c++) this.out.data[c][at + n] = source.data[c][offset + n] * factor;
      }
    }
  }

  return { Gain, ClipGain };
})();

// The page's gain, and its gains along a line: see gain.py, clip_gain.py and rides.py.
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

  // Gain along a line through points, `times` in seconds and `values`; before the first and after the last it stays as it is there.
  class GainLine extends Stage {
    // What the samples are multiplied by where the line has this value.
    factorOf(value) { return value; }
    // The line's value; asked for at rising times.
    valueAt(time) {
      const { times, values } = this, last = times.length - 1;
      if (this.place && times[this.place - 1] > time) this.place = 0;
      while (this.place <= last && times[this.place] <= time) this.place++;
      const next = this.place;
      if (next === 0) return values[0];
      if (next > last) return values[last];
      return values[next - 1] + ((values[next] - values[next - 1]) * (time - times[next - 1])) / (times[next] - times[next - 1]);
    }
    make(from, at) {
      const source = this.need(from + BLOCK), offset = from - source.from, empty = !this.times.length;
      for (let n = 0; n < BLOCK; n++) {
        const factor = empty ? 1 : this.factorOf(this.valueAt((from + n) / this.rate));
        for (let c = 0; c < this.channels; c++) this.out.data[c][at + n] = source.data[c][offset + n] * factor;
      }
    }
  }

  // A straight line in amplitude from region to region: see ClipGain in clip_gain.py.
  class ClipGain extends GainLine {
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
      this.values = [];
      borders.forEach(([at, before, after], n) => {
        const left = n ? (at - borders[n - 1][0]) / 2 : regions[0].start_s > 0 ? at : at / 2;
        const right = n + 1 < borders.length ? (borders[n + 1][0] - at) / 2 : Infinity;
        const half = Math.min(crossfade_ms / 2000, left, right);
        this.times.push(at - half, at + half);
        this.values.push(before, after);
      });
      this.place = 0;
    }
  }

  // A straight line in decibels from point to point: see FaderRide in rides.py.
  class FaderRide extends GainLine {
    set(settings) {
      super.set(settings);
      this.times = settings.points.map(({ at_s }) => at_s);
      this.values = settings.points.map(({ gain_db }) => gain_db);
      this.place = 0;
    }
    factorOf(gainDb) { return amplitudeOf(gainDb); }
  }

  return { Gain, ClipGain, FaderRide };
})();

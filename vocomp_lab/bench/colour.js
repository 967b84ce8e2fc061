// The page's colour, by itself and in the compressor types that have one: see colour.py and character.py.
const vocompColour = (() => {
  "use strict";
  const { amplitudeOf } = vocompDecibels, { BLOCK, Tape } = vocompTape, { Stage } = vocompStage, { KEPT, Dynamics } = vocompDynamics;
  const OVERSAMPLING = 4, ASYMMETRY = { FetCompressor: 0.03, TubeCompressor: Math.sqrt(1 / 3) };

  // The filter, from the half of its taps that Python sends: for each of the four fine frames the taps on the way up, and those on the
  // way down.
  function colourTaps(half) {
    const tap = (n) => (Math.abs(n) < half.length ? half[Math.abs(n)] : 0), reach = Math.ceil((half.length - 1) / OVERSAMPLING);
    const up = [0, 1, 2, 3].map((phase) => Float64Array.from({ length: 2 * reach + 1 }, (_, n) => OVERSAMPLING * tap(phase + OVERSAMPLING * (reach - n))));
    return { reach, up, down: Float64Array.from({ length: 2 * OVERSAMPLING * reach + 1 }, (_, n) => tap(n - OVERSAMPLING * reach)) };
  }
  const TAPS = colourTaps(__COLOUR_TAPS__);

  // What the curve adds, at four times the rate, between two steep linear-phase low-passes.
  class Colourer {
    constructor(stage, at) {
      const { channels, rate } = stage;
      // `bent` is at four times the rate, and so are its places.
      const held = { bent: new Tape(channels, OVERSAMPLING * (at - TAPS.reach)), capacitor: new Float64Array(2 * channels) };
      Object.assign(this, { stage, channels, rate, held });
    }
    set(driveDb, asymmetry) {
      this.drive = amplitudeOf(driveDb);
      this.asymmetry = asymmetry;
      this.a = Math.exp((-2 * Math.PI * 5) / this.rate);
    }
    // How far it looks ahead, and back.
    get reach() { return 2 * TAPS.reach; }
    // Write the coloured frames of a tape from `from` on.
    make(source, from, out, at) {
      const { bent, capacitor } = this.stage.held, { reach, up, down } = TAPS, { drive, asymmetry } = this;
      const half = OVERSAMPLING * reach, to = OVERSAMPLING * (from + BLOCK + reach);
      const first = bent.end, place = bent.grow(to - first);
      for (let c = 0; c < this.channels; c++) {
        const x = source.data[c], b = bent.data[c];
        for (let m = first; m < to; m++) {
          // Frame k of the source reaches the fine frame m through tap m − 4k.
          const middle = Math.floor(m / OVERSAMPLING), phase = m - OVERSAMPLING * middle, taps = up[phase];
          let sum = 0, k = middle - reach - source.from;
          if (k >= 0) for (let n = 0; n < taps.length; n++) sum += taps[n] * x[k + n];
          else for (let n = Math.min(-k, taps.length); n < taps.length; n++) sum += taps[n] * x[k + n];
          const turned = Math.tanh(sum * drive);
          b[place + m - first] = turned / (drive * (1 + asymmetry * turned)) - sum;
        }
        const fine = OVERSAMPLING * from - half - bent.from;
        for (let n = 0; n < BLOCK; n++) {
          let added = 0;
          const start = fine + OVERSAMPLING * n;
          for (let k = 0; k < down.length; k++) added += down[k] * b[start + k];
          if (asymmetry > 0) {
            const y = ((1 + this.a) / 2) * (added - capacitor[2 * c]) + this.a * capacitor[2 * c + 1];
            capacitor[2 * c] = added;
            capacitor[2 * c + 1] = y;
            added = y;
          }
          out[c][at + n] = x[from + n - source.from] + added;
        }
      }
      bent.forget(OVERSAMPLING * (from + BLOCK) - half);
    }
  }

  class Colour extends Stage {
    rest(at) {
      this.colourer = new Colourer(this, at);
      return this.colourer.held;
    }
    set(settings) { super.set(settings); this.colourer.set(settings.drive_db, settings.asymmetry); }
    needs() { return this.out.end - this.colourer.reach; }
    make(from, at) { this.colourer.make(this.need(from + BLOCK + this.colourer.reach), from, this.out.data, at); }
  }

  // A compressor type with a colour: the compressor without make-up and mix, then the curve, then the rest.
  class Coloured extends Dynamics {
    rest(at) {
      const held = super.rest(at);
      this.colourer = new Colourer(this, at);
      return { ...held, ...this.colourer.held, wet: new Tape(this.channels, at - this.colourer.reach) };
    }
    set(settings) { super.set(settings); this.colourer.set(settings.drive_db, ASYMMETRY[settings.type]); }
    make(from, at) {
      const { wet, reduction } = this.held, { mix, out } = this, to = from + BLOCK + this.colourer.reach;
      this.reduce(to);
      const source = this.need(to), first = wet.end, count = to - first, place = wet.grow(count);
      for (let n = 0; n < count; n++) {
        const frame = first + n, there = frame >= source.start && frame < this.frames && frame >= reduction.start;
        const gain = there ? amplitudeOf(-reduction.data[0][frame - reduction.from]) : 0;
        for (let c = 0; c < this.channels; c++) wet.data[c][place + n] = there ? source.data[c][frame - source.from] * gain : 0;
      }
      this.colourer.make(wet, from, out.data, at);
      const makeup = amplitudeOf(this.makeup()), offset = from - source.from;
      for (let c = 0; c < this.channels; c++) {
        for (let n = 0; n < BLOCK; n++) out.data[c][at + n] = mix * makeup * out.data[c][at + n] + (1 - mix) * source.data[c][offset + n];
      }
      wet.forget(from + BLOCK - this.colourer.reach);
      reduction.forget(from - KEPT);
    }
  }

  return { Colour, Coloured };
})();

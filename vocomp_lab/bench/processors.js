// The processors of vocomp_lab/processors, for sound that the page makes itself while it plays. Each does what the Python class of the
// same name does, by the same equations and the same settings; tests/test_live_page.py holds the two to each other. Used by worklet.js
// (what is heard) and runner.js (what happened before the place where it starts).
//
// Sound is pulled: whoever wants frames of a stage has it advance, a block at a time, and the stage has the one before it advance as far
// as it must look ahead. So the sound at the ear is never late, and everything a stage holds is plain numbers that can be copied.
const vocompProcessors = (() => {
  "use strict";
  const BLOCK = 128; // what an audio worklet computes at a time
  const FLOOR_DB = -200;
  const DB = Math.LN10 / 20;
  const amplitudeOf = (db) => Math.exp(db * DB);
  const dbOf = (amplitude) => Math.max(Math.log(amplitude) / DB, FLOOR_DB);
  const powerDbOf = (power) => Math.max(Math.log(power) / (2 * DB), FLOOR_DB);
  const coefficient = (ms, rate) => Math.exp(-1000 / (ms * rate));
  const KEPT = 4096; // frames of reduction that stay readable behind the sound
  const TINY = 1e-120; // a filter that rings down to less than this stops, as in Python's memory.py

  const OPTO_MEMORY_PER_DB = 0.1, TUBE_PER_DB = 1 / 6;

  // ---- a stretch of sound, with the places of its first frame and of the one after its last -------------------------------------

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

  // ---- filters -------------------------------------------------------------------------------------------------------------------

  // Second-order sections, each [b0, b1, b2, a1, a2]. Butterworth's poles by the bilinear transform; bells and shelves as in the W3C
  // Audio EQ Cookbook: see filters.py.
  const sections = {
    HighPass({ freq_hz, order }, rate) {
      const k = Math.tan((Math.PI * freq_hz) / rate), made = [];
      if (order % 2) made.push([1 / (1 + k), -1 / (1 + k), 0, (k - 1) / (k + 1), 0]);
      for (let n = 0; n < Math.floor(order / 2); n++) {
        const damping = 2 * Math.sin((Math.PI * (2 * n + 1)) / (2 * order)), whole = 1 + damping * k + k * k;
        made.push([1 / whole, -2 / whole, 1 / whole, (2 * (k * k - 1)) / whole, (1 - damping * k + k * k) / whole]);
      }
      return made;
    },
    Peaking(settings, rate) {
      const [a, w, alpha] = cookbook(settings, rate), whole = 1 + alpha / a, cos = -2 * Math.cos(w);
      return [[(1 + alpha * a) / whole, cos / whole, (1 - alpha * a) / whole, cos / whole, (1 - alpha / a) / whole]];
    },
    LowShelf: (settings, rate) => shelf(settings, rate, 1),
    HighShelf: (settings, rate) => shelf(settings, rate, -1),
  };

  function cookbook({ freq_hz, gain_db, q }, rate) {
    const w = (2 * Math.PI * freq_hz) / rate;
    return [Math.pow(10, gain_db / 40), w, Math.sin(w) / (2 * q)];
  }

  function shelf(settings, rate, side) {
    const [a, w, alpha] = cookbook(settings, rate), cos = side * Math.cos(w), root = 2 * Math.sqrt(a) * alpha;
    const whole = a + 1 + (a - 1) * cos + root;
    return [[
      (a * (a + 1 - (a - 1) * cos + root)) / whole, (side * 2 * a * (a - 1 - (a + 1) * cos)) / whole, (a * (a + 1 - (a - 1) * cos - root)) / whole,
      (side * -2 * (a - 1 + (a + 1) * cos)) / whole, (a + 1 + (a - 1) * cos - root) / whole,
    ]];
  }

  // Run sections over values in place. `memory` holds two numbers for each section.
  function filter(made, memory, values, from, to) {
    for (let n = 0; n < made.length; n++) {
      const [b0, b1, b2, a1, a2] = made[n];
      let one = memory[2 * n], two = memory[2 * n + 1];
      for (let k = from; k < to; k++) {
        const x = values[k], y = b0 * x + one;
        one = b1 * x - a1 * y + two;
        two = b2 * x - a2 * y;
        values[k] = y;
      }
      memory[2 * n] = Math.abs(one) < TINY ? 0 : one;
      memory[2 * n + 1] = Math.abs(two) < TINY ? 0 : two;
    }
  }

  // ---- stages --------------------------------------------------------------------------------------------------------------------

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

  class Gain extends Stage {
    set(settings) { super.set(settings); this.factor = Math.pow(10, settings.gain_db / 20); }
    make(from, at) {
      const source = this.need(from + BLOCK), offset = from - source.from;
      this.out.data.forEach((data, c) => {
        for (let n = 0; n < BLOCK; n++) data[at + n] = source.data[c][offset + n] * this.factor;
      });
    }
  }

  class Filter extends Stage {
    set(settings) {
      super.set(settings);
      this.sections = sections[settings.type](settings, this.rate);
      const size = 2 * this.sections.length; // another order has another number of sections
      this.held.memory = this.held.memory.map((old) => { const fresh = new Float64Array(size); fresh.set(old.subarray(0, size)); return fresh; });
    }
    rest() { return { memory: this.before.out.data.map(() => new Float64Array(0)) }; }
    make(from, at) {
      const source = this.need(from + BLOCK), offset = from - source.from;
      this.out.data.forEach((data, c) => {
        for (let n = 0; n < BLOCK; n++) data[at + n] = source.data[c][offset + n];
        filter(this.sections, this.held.memory[c], data, at, at + BLOCK);
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

  // A one-pole on its way up and on its way down: Giannoulis, Massberg & Reiss (2012), eq. 16.
  const branching = (y, target, attack, release) => { const a = target > y ? attack : release; return a * y + (1 - a) * target; };

  // The soft-knee curve, eq. 4, as input minus output.
  function staticReduction(level, threshold, slope, knee) {
    const over = level - (threshold - knee / 2);
    if (over <= 0) return 0;
    if (over >= knee) return slope * (over - knee / 2);
    return (slope * over * over) / (2 * knee);
  }

  // What turns gain down: a detector that may listen ahead, a smoother, and the gain. The kinds differ in `detect` and `smooth`.
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
      this.sideChain = s.sidechain_highpass_hz ? sections.HighPass({ freq_hz: s.sidechain_highpass_hz, order: 2 }, rate) : null;
      this.learning = s.memory_ms === undefined ? 0 : coefficient(s.memory_ms, rate);
      this.smooth = smoothers[kindOf(s)];
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

  // A feedback loop without delay: see smooth_feedback in recursion.py, whose equations these are.
  function fedBack(y, level, s, slope, a) {
    const knee = s.knee_db || 0;
    if (knee < 1e-12) return a * y + (1 - a) * Math.max(hardV(level - a * y, s.threshold_db, slope, a), 0);
    const top = 1 - (a * slope) / 2, whole = (level - a * y - (s.threshold_db - knee / 2)) / knee;
    const q = Math.min(Math.max(whole, 0), top), above = Math.max(whole - top, 0) / (1 - a * slope);
    const part = (2 * q) / (1 + Math.sqrt(Math.max(1 - 2 * a * slope * q, (1 - a * slope) ** 2)));
    return a * y + (1 - a) * slope * knee * (above + (part * part) / 2);
  }
  // C(v) for v − a·C(v) = q with a hard knee.
  const hardV = (q, threshold, slope, a) => (slope * (q - threshold)) / (1 - a * slope);

  const kindOf = (s) => (s.type !== "Compressor" ? s.type : s.topology === "feedback" ? "feedback" : s.ballistics);
  // From the level to the reduction, one frame on.
  const smoothers = {
    branching(level) { const h = this.held, s = this.settings; return (h.y = branching(h.y, staticReduction(level, s.threshold_db, this.slope, s.knee_db), this.attack, this.release)); },
    decoupled(level) {
      const h = this.held, s = this.settings;
      h.past = branching(h.past, staticReduction(level, s.threshold_db, this.slope, s.knee_db), 0, this.release);
      return (h.y = this.attack * h.y + (1 - this.attack) * h.past);
    },
    feedback(level) {
      const h = this.held, s = this.settings, asked = staticReduction(level, s.threshold_db, this.slope, s.knee_db || 0);
      return (h.y = fedBack(h.y, level, s, this.slope, asked > h.y ? this.attack : this.release));
    },
    OptoCompressor(level) {
      const h = this.held, s = this.settings;
      h.y = Math.max(branching(h.y, staticReduction(level, s.threshold_db, this.slope, s.knee_db), this.attack, this.release), 0);
      h.past = this.learning * h.past + (1 - this.learning) * h.y;
      h.second = branching(h.second, h.y / 2, this.learning, coefficient(s.tail_ms * (1 + OPTO_MEMORY_PER_DB * h.past), this.rate));
      return Math.max(h.y, h.second);
    },
    TubeCompressor(level) {
      const h = this.held, s = this.settings, over = Math.max(level - s.threshold_db, 0);
      const asked = this.slope * Math.max(over - s.bend_db * Math.log1p(over / Math.max(s.bend_db, 1e-300)), 0);
      h.past = this.learning * h.past + (1 - this.learning) * asked;
      const up = asked > h.y, ms = up ? s.attack_ms / (1 + TUBE_PER_DB * asked) : s.release_ms * (1 + TUBE_PER_DB * h.past);
      const a = coefficient(ms, this.rate);
      return (h.y = a * h.y + (1 - a) * asked);
    },
  };
  smoothers.VcaCompressor = smoothers.branching;
  smoothers.FetCompressor = smoothers.feedback;

  // ---- colour --------------------------------------------------------------------------------------------------------------------

  // What the curve adds, at four times the rate, between two steep linear-phase low-passes: see colour.py, which gives their taps.
  const OVERSAMPLING = 4;
  class Colourer {
    constructor(stage, at) {
      const { channels, rate, before: { taps } } = stage;
      // `bent` is at four times the rate, and so are its places.
      const held = { bent: new Tape(channels, OVERSAMPLING * (at - taps.reach)), capacitor: new Float64Array(2 * channels) };
      Object.assign(this, { stage, channels, rate, taps, held });
    }
    set(driveDb, asymmetry) {
      this.drive = amplitudeOf(driveDb);
      this.asymmetry = asymmetry;
      this.a = Math.exp((-2 * Math.PI * 5) / this.rate);
    }
    // How far it looks ahead, and back.
    get reach() { return 2 * this.taps.reach; }
    // Write the coloured frames of a tape from `from` on.
    make(source, from, out, at) {
      const { bent, capacitor } = this.stage.held, { reach, up } = this.taps, { drive, asymmetry } = this;
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
        const fine = OVERSAMPLING * from - half - bent.from, down = this.taps.down;
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
  const ASYMMETRY = { FetCompressor: 0.03, TubeCompressor: Math.sqrt(1 / 3) };
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

  // ---- the de-esser ----------------------------------------------------------------------------------------------------------------

  // The band above a frequency is split off by a filter run forwards and then backwards (zero_phase.py). The backward run begins so far
  // ahead that the error of its start has faded.
  const FADED = 1e-9, EDGE = 9;
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
      const made = sections.HighPass({ freq_hz: settings.freq_hz, order: 2 }, this.rate), a2 = made[0][4];
      this.sections = made;
      this.reach = Math.ceil(Math.log(FADED) / Math.log(Math.sqrt(Math.abs(a2)))) + BLOCK;
      this.averaging = coefficient(2, this.rate);
      this.rise = coefficient(150, this.rate);
      this.fall = coefficient(2000, this.rate);
      this.smooth = smoothers.DeEsser;
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
  smoothers.DeEsser = function (level) {
    const h = this.held, s = this.settings;
    return (h.y = branching(h.y, Math.min(staticReduction(level, s.threshold_db, this.slope, s.knee_db), s.range_db), this.attack, this.release));
  };

  const kinds = {
    Gain, ClipGain, Colour, DeEsser, HighPass: Filter, Peaking: Filter, LowShelf: Filter, HighShelf: Filter, Compressor: Dynamics,
    VcaCompressor: Dynamics, OptoCompressor: Dynamics, FetCompressor: Coloured, TubeCompressor: Coloured,
  };

  // ---- a chain -----------------------------------------------------------------------------------------------------------------------

  // Copies of numbers, arrays and tapes, so that one chain can go on as another; also of what came through a message, which keeps no
  // classes.
  function copied(held) {
    if (Array.isArray(held)) return held.map(copied);
    if (held instanceof Float64Array) return held.slice();
    if (!held || typeof held !== "object") return held;
    const copy = held.data ? Object.create(Tape.prototype) : {};
    for (const [key, value] of Object.entries(held)) copy[key] = copied(value);
    return copy;
  }

  // Colour's filter, from the half of its taps that Python sends: for each of the four fine frames the taps on the way up, and those on
  // the way down.
  function colourTaps(half) {
    const tap = (n) => (Math.abs(n) < half.length ? half[Math.abs(n)] : 0), reach = Math.ceil((half.length - 1) / OVERSAMPLING);
    const up = [0, 1, 2, 3].map((phase) => Float64Array.from({ length: 2 * reach + 1 }, (_, n) => OVERSAMPLING * tap(phase + OVERSAMPLING * (reach - n))));
    return { reach, up, down: Float64Array.from({ length: 2 * OVERSAMPLING * reach + 1 }, (_, n) => tap(n - OVERSAMPLING * reach)) };
  }

  // A clip, { rate, channels: [Float32Array] }, and what it goes through: `stages` is what the settings sheet says of each, with its
  // type; `first` and `last` are the places of the stages that are compared.
  // It begins at a frame of the clip with everything at rest, or goes on from what another one held there.
  class Chain {
    constructor(clip, spec, at = 0, held = null) {
      Object.assign(this, { clip, spec, at });
      let before = (this.source = new Source(clip, at));
      before.taps = TAPS;
      this.stages = spec.stages.slice(0, spec.last + 1).map((settings) => {
        const stage = new kinds[settings.type](before, settings, at);
        stage.taps = TAPS;
        return (before = stage);
      });
      if (held) this.takeOver(held);
    }
    takeOver({ at, source, stages }) {
      this.at = at;
      this.source.out = copied(source);
      this.stages.forEach((stage, n) => {
        stage.out = copied(stages[n].out);
        Object.assign(stage.held, copied(stages[n].held));
        stage.set(stage.settings); // a filter's memory has the size of its sections
      });
    }
    // All that it remembers, as plain data for a message.
    save() {
      return copied({ at: this.at, source: this.source.out, stages: this.stages.map(({ out, held }) => ({ out, held })) });
    }
    // The same with other settings of the same stages, at the same place.
    changed(spec) { return new Chain(this.clip, spec, this.at, { at: this.at, source: this.source.out, stages: this.stages }); }

    // The next block: writes what goes into the first of the stages, what comes out of the last, and what was removed, each an array of
    // the channels' arrays.
    read(before, after, removed) {
      const { source, stages, spec, at } = this;
      this.goTo(at + BLOCK);
      const input = stages[spec.first].before.out, output = stages[spec.last].out, [ofBefore, ofAfter] = this.removedShares();
      for (let c = 0; c < source.channels; c++) {
        const x = input.data[c], y = output.data[c], offsetX = at - input.from, offsetY = at - output.from;
        for (let n = 0; n < BLOCK; n++) {
          before[c][n] = x[offsetX + n];
          after[c][n] = y[offsetY + n];
          removed[c][n] = ofBefore * x[offsetX + n] - ofAfter * y[offsetY + n];
        }
      }
    }
    // Take it to a later frame. The last block before it can be read still.
    goTo(frame) {
      const { source, stages } = this, last = stages[stages.length - 1];
      while (last.out.end < frame) {
        last.advance();
        let needed = Math.min(last.out.end, frame) - BLOCK;
        for (let n = stages.length - 1; n >= 0; n--) {
          stages[n].out.forget(needed);
          needed = Math.min(stages[n].needs(), needed);
        }
        source.out.forget(needed);
      }
      this.at = frame;
    }
    // The stages between the two that turn gain down.
    get reducing() { return this.stages.slice(this.spec.first).filter((stage) => stage.held.reduction); }
    removedShares() {
      const { stages, spec } = this;
      if (spec.first === stages.length - 1) return stages[spec.first].removedShares();
      return [1, amplitudeOf(-stages.reduce((sum, stage) => sum + stage.makeup(), 0))];
    }
  }

  const TAPS = colourTaps(__COLOUR_TAPS__);

  return { BLOCK, Chain };
})();

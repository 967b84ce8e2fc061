// From the level that a compressor hears to its reduction, in the page: the curve, and each kind's attack and release. See compressor.py,
// recursion.py and character.py.
const vocompSmoothers = (() => {
  "use strict";
  const coefficient = (ms, rate) => Math.exp(-1000 / (ms * rate));
  const OPTO_MEMORY_PER_DB = 0.1, TUBE_PER_DB = 1 / 6;

  // A one-pole on its way up and on its way down: Giannoulis, Massberg & Reiss (2012), eq. 16.
  const branching = (y, target, attack, release) => { const a = target > y ? attack : release; return a * y + (1 - a) * target; };

  // The soft-knee curve, eq. 4, as input minus output.
  function staticReduction(level, threshold, slope, knee) {
    const over = level - (threshold - knee / 2);
    if (over <= 0) return 0;
    if (over >= knee) return slope * (over - knee / 2);
    return (slope * over * over) / (2 * knee);
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

  // One frame on, from the level to the reduction. `this` is the stage: its settings, what they come to per frame, and what it remembers.
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
  const smootherOf = (s) => smoothers[s.type !== "Compressor" ? s.type : s.topology === "feedback" ? "feedback" : s.ballistics];

  return { coefficient, branching, staticReduction, smootherOf };
})();

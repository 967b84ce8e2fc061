// The page's high-pass, bells and shelves: second-order sections, and the stage that runs them. See filters.py.
const vocompFilters = (() => {
  "use strict";
  const { BLOCK } = vocompTape, { Stage } = vocompStage;
  const TINY = 1e-120; // a filter that rings down to less than this stops, as in Python's memory.py

  // Each section is [b0, b1, b2, a1, a2]. Butterworth's poles by the bilinear transform; bells and shelves as in the W3C Audio EQ
  // Cookbook.
  function highPass({ freq_hz, order }, rate) {
    const k = Math.tan((Math.PI * freq_hz) / rate), made = [];
    if (order % 2) made.push([1 / (1 + k), -1 / (1 + k), 0, (k - 1) / (k + 1), 0]);
    for (let n = 0; n < Math.floor(order / 2); n++) {
      const damping = 2 * Math.sin((Math.PI * (2 * n + 1)) / (2 * order)), whole = 1 + damping * k + k * k;
      made.push([1 / whole, -2 / whole, 1 / whole, (2 * (k * k - 1)) / whole, (1 - damping * k + k * k) / whole]);
    }
    return made;
  }

  const sections = {
    HighPass: highPass,
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

  class Filter extends Stage {
    set(settings) {
      super.set(settings);
      this.sections = sections[settings.type](settings, this.rate);
      // Sections of another order, or for quite another frequency, remember something else: taken over, that would thump. The fade
      // covers a start from rest.
      const { held } = this, { freq_hz, order = 2 } = settings, alike = held.order === order && Math.abs(Math.log2(freq_hz / held.freq_hz)) < 1;
      Object.assign(held, { order, freq_hz });
      if (alike) return;
      held.memory = held.memory.map(() => new Float64Array(2 * this.sections.length));
    }
    rest() { return { order: 0, freq_hz: 0, memory: this.before.out.data.map(() => new Float64Array(0)) }; }
    make(from, at) {
      const source = this.need(from + BLOCK), offset = from - source.from;
      this.out.data.forEach((data, c) => {
        for (let n = 0; n < BLOCK; n++) data[at + n] = source.data[c][offset + n];
        filter(this.sections, this.held.memory[c], data, at, at + BLOCK);
      });
    }
  }

  return { TINY, highPass, filter, Filter };
})();

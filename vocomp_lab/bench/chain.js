// A chain of stages in the page, for worklet.js (what is heard) and runner.js (what happened before the place where it starts).
const vocompChain = (() => {
  "use strict";
  const { amplitudeOf } = vocompDecibels, { BLOCK, Tape } = vocompTape, { Source } = vocompStage;
  const { Filter } = vocompFilters, { Gain, ClipGain, FaderRide } = vocompGains, { Dynamics } = vocompDynamics;
  const { Colour, Coloured } = vocompColour, { DeEsser } = vocompDeEsser;

  const kinds = {
    Gain, ClipGain, FaderRide, Colour, DeEsser, HighPass: Filter, Peaking: Filter, LowShelf: Filter, HighShelf: Filter, Compressor: Dynamics,
    VcaCompressor: Dynamics, OptoCompressor: Dynamics, FetCompressor: Coloured, TubeCompressor: Coloured,
  };

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

  // A clip, { rate, channels: [Float32Array] }, and what it goes through: `stages` is what the settings sheet says of each, with its
  // type; `first` and `last` are the places of the stages that are compared.
  // It begins at a frame of the clip with everything at rest, or goes on from what another one held there.
  class Chain {
    constructor(clip, spec, at = 0, held = null) {
      Object.assign(this, { clip, spec, at });
      let before = (this.source = new Source(clip, at));
      this.stages = spec.stages.slice(0, spec.last + 1).map((settings) => (before = new kinds[settings.type](before, settings, at)));
      if (held) this.takeOver(held);
    }
    takeOver({ at, source, stages }) {
      this.at = at;
      this.source.out = copied(source);
      this.stages.forEach((stage, n) => {
        stage.out = copied(stages[n].out);
        Object.assign(stage.held, copied(stages[n].held));
        stage.set(stage.settings); // a filter's memory belongs to its order
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

  return { Chain };
})();

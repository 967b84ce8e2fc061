// What a hand has just set on a bench, and Python may not know of yet. One for each player.
window.vocompHand = window.vocompHand || (() => {
  "use strict";
  const LASTS_MS = 3000; // by then Python has heard of a move, or never will
  const moves = new Map(); // by field: the stop, its value, and since when
  const plain = (value) => (value === "inf" ? Infinity : value); // as JSON has no infinity

  return {
    // A control stands at another stop, whose value `values` tells; `at` says where Python knows the controls to be. False if that is
    // no news.
    // Nor is a frequency that Python will refuse at this rate.
    take(field, stop, values, at, rate) {
      if (!values || (stop === at[field] && !moves.has(field))) return false;
      if (field.endsWith("_hz") && values[stop] >= rate / 2) return false;
      moves.set(field, { stop, value: plain(values[stop]), since: performance.now() });
      return true;
    },
    // Python has answered: what it knows of is no news any more.
    settle(at) {
      for (const [field, { stop, since }] of moves) {
        if (at[field] === stop || performance.now() - since > LASTS_MS) moves.delete(field);
      }
    },
    // Another stage's controls are there, or Python has refused what was set.
    clear() { moves.clear(); },
    moving: () => moves.size > 0,
    // The value of a field as the hand has set it, or else as it was.
    valueOf: (field, was) => (moves.has(field) ? moves.get(field).value : plain(was)),
    // A stage with what the hand has set.
    stage(stage, isMoved) {
      return Object.fromEntries(Object.entries(stage).map(([field, was]) => [field, isMoved ? this.valueOf(field, was) : plain(was)]));
    },
  };
});

// The input meter of a recorder's box: the level of the input that is used, its loudest peak of the last seconds, and a word for it.
// `root` is the box, `limits` says in dBFS from where on a peak counts as what, and `used` tells the number of the input.
window.vocompInputMeter = window.vocompInputMeter || ((root, limits, used) => {
  "use strict";
  const FLOOR_DB = -60, HOLD_MS = 3000, TOLD_MS = 2000, CLIPPED_RUN = 3, FULL_SCALE = 1 - 1.5 / 32768;
  const { number, write } = window.vocompWording, { quiet_db, low_db, high_db } = limits;
  const bar = root.querySelector(".bar"), hold = root.querySelector(".hold"), zone = root.querySelector(".zone");
  const meter = root.querySelector("[data-part=meter]"), level = root.querySelector("[data-part=level]");
  const dbOf = (amplitude) => (amplitude > 0 ? 20 * Math.log10(amplitude) : -Infinity);
  const share = (db) => Math.min(Math.max((db - FLOOR_DB) / -FLOOR_DB, 0), 1); // of the meter's length
  let peaks = [], runs = [0, 0], cutOffAt = 0, toldAt = 0;

  // Take in blocks of samples, one for each input.
  function hear(blocks) {
    const now = Date.now(), shown = Math.min(used(), blocks.length - 1);
    const found = blocks.slice(0, 2).map((samples, c) => {
      let most = 0;
      for (let n = 0; n < samples.length; n++) {
        const size = Math.abs(samples[n]);
        if (size > most) most = size;
        runs[c] = size >= FULL_SCALE ? runs[c] + 1 : 0;
        if (runs[c] >= CLIPPED_RUN && c === shown) cutOffAt = now;
      }
      return most;
    });
    peaks.push([now, found]);
    while (peaks[0][0] < now - HOLD_MS) peaks.shift();
  }

  // The loudest peak of an input; of the last one where there is none of that number.
  const peakOf = (found, input) => found[Math.min(input, found.length - 1)];
  const held = (input) => Math.max(0, ...peaks.map(([, found]) => peakOf(found, input)));

  function word(db) {
    if (Date.now() - cutOffAt < HOLD_MS) return "too loud, cut off";
    return db > high_db ? "too loud" : db >= low_db ? "good" : db >= quiet_db ? "a little quiet" : "too quiet";
  }

  function move() {
    const last = peaks.at(-1), now = last ? dbOf(peakOf(last[1], used())) : -Infinity, most = dbOf(held(used()));
    bar.style.transform = `scaleX(${share(now)})`;
    hold.style.left = 100 * share(most) + "%";
    const text = most < -90 ? "no sound comes in" : `peak ${number(most, 1)} dBFS: ${word(most)}`;
    write(level, text);
    if (Date.now() - toldAt > TOLD_MS) { // a screen reader would chatter
      toldAt = Date.now();
      meter.setAttribute("aria-valuenow", Math.round(Math.min(Math.max(most, FLOOR_DB), 0)));
      meter.setAttribute("aria-valuetext", text);
    }
  }

  function rest() {
    peaks = [];
    runs = [0, 0];
  }

  function drawScale() {
    zone.style.left = 100 * share(low_db) + "%";
    zone.style.width = 100 * (share(high_db) - share(low_db)) + "%";
    const marks = [-48, -36, quiet_db].map((db) => [db, number(db, 0)]);
    for (const [db, text] of [...marks, [(low_db + high_db) / 2, `good: ${number(low_db, 0)} to ${number(high_db, 0)} dBFS`]]) {
      const mark = document.createElement("span");
      mark.className = "mark";
      mark.setAttribute("aria-hidden", "true");
      mark.style.left = 100 * share(db) + "%";
      mark.textContent = text;
      zone.parentElement.append(mark);
    }
  }

  drawScale();
  return { hear, held, move, rest, forgetCutOff() { cutOffAt = 0; } };
});

// The meters beside Play: levels in and out, and the gain reduction, as the sound at the ear is made. `root` is where they stand, or
// null in a player without them.
window.vocompNeedle = window.vocompNeedle || ((root) => {
  "use strict";
  const HOLD_MS = 2000, TEXT_MS = 250, TOLD_MS = 3000;
  const FALL_DB_PER_S = 40; // of the level bars: quick enough to follow, slow enough to read
  const LOWEST_DB = -60, DEEPEST_DB = 24;
  const canvas = root && root.querySelector("canvas"), text = root && root.querySelector("[data-show=text]");
  const menu = root && root.querySelector("select"), told = root && root.querySelector("[role=img]");
  const dbOf = (amplitude) => Math.max(20 * Math.log10(amplitude), -120);
  const say = (db) => (Math.abs(db) < 0.05 ? "0.0" : db.toFixed(1).replace("-", "−"));
  let now = null; // the newest measurement
  let levels = [LOWEST_DB, LOWEST_DB], held = 0, heldSince = 0, drawn = 0, texted = 0, toldAt = 0;
  let hidden = false, reduces = true, presented = false;

  // What is measured of one thirtieth of a second: { place, peaks: [in, out], powers: [in, out], reduction: { least, most, needle } }.
  function take(meter) {
    now = meter;
    if (!meter.reduction) return;
    const time = performance.now(), shown = reading();
    if (shown >= held || time - heldSince > HOLD_MS) { held = shown; heldSince = time; }
  }

  const slow = () => Boolean(menu && menu.value === "slow");
  const reading = () => (now && now.reduction ? (slow() ? now.reduction.needle : now.reduction.most) : 0);

  function draw() {
    if (!canvas || hidden) return;
    const time = performance.now(), fall = (FALL_DB_PER_S * (time - drawn)) / 1000;
    drawn = time;
    levels = levels.map((level, n) => Math.max(now ? dbOf(now.peaks[n]) : LOWEST_DB, level - fall, LOWEST_DB));
    paint();
    if (time - texted > TEXT_MS) {
      texted = time;
      const reduced = reduces ? [`${say(-reading())} dB (most ${say(-held)})`] : [], level = `in ${say(levels[0])}, out ${say(levels[1])}`;
      const lines = now ? [...reduced, presented ? level : `${level} dBFS`] : ["at rest"];
      const line = (now && reduces ? "reduction " : "") + lines.join("; ");
      if (text.dataset.line !== line) { text.dataset.line = line; text.innerText = lines.join("\n"); }
      // For a screen reader that asks, and without a word of its own.
      if (time - toldAt > TOLD_MS) { toldAt = time; told.setAttribute("aria-label", `Meters: ${line}`); }
    }
  }

  function paint() {
    const scale = window.devicePixelRatio || 1, { clientWidth: width, clientHeight: height } = canvas;
    if (!width) return;
    if (canvas.width !== Math.round(width * scale)) [canvas.width, canvas.height] = [Math.round(width * scale), Math.round(height * scale)];
    const ink = getComputedStyle(root).color, brush = canvas.getContext("2d"), light = getComputedStyle(canvas).accentColor;
    brush.setTransform(scale, 0, 0, scale, 0, 0);
    brush.clearRect(0, 0, width, height);
    brush.fillStyle = brush.strokeStyle = ink;
    brush.font = "9px sans-serif";
    const top = 11, bottom = height - 1, tall = bottom - top;
    const column = (x, wide, name, from, to, colour) => {
      brush.fillStyle = ink;
      brush.fillText(name, x, 8);
      brush.strokeRect(x + 0.5, top + 0.5, wide, tall - 1);
      brush.fillStyle = colour;
      brush.fillRect(x + 1, top + from * tall, wide - 1, Math.max((to - from) * tall, 0));
    };
    const share = (level) => (level - LOWEST_DB) / -LOWEST_DB, deep = (db) => Math.min(db / DEEPEST_DB, 1);
    column(0, 16, "in", 1 - share(Math.min(levels[0], 0)), 1, light);
    column(24, 16, "out", 1 - share(Math.min(levels[1], 0)), 1, light);
    if (!reduces) return;
    column(50, 30, "reduction", 0, deep(reading()), "#D55E00");
    brush.fillStyle = ink;
    brush.fillRect(51, top + deep(held) * (tall - 2), 29, 2);
    for (const db of [0, 12, 24]) brush.fillText(String(db), 84, top + deep(db) * (tall - 7) + 7);
  }

  function rest() {
    now = null;
    held = 0;
    levels = [LOWEST_DB, LOWEST_DB];
    texted = toldAt = 0;
    draw();
  }

  // Whether there is something to show, and whether there is a reduction at all.
  function set(state, measured) {
    hidden = !state.meters || !measured;
    reduces = Boolean(state.reduces);
    presented = Boolean(state.present); // large type leaves room for the figures alone
    if (!root) return;
    root.hidden = hidden;
    if (!now) requestAnimationFrame(rest); // once it has its place in the page
  }

  if (menu) menu.addEventListener("change", () => { held = 0; });
  return { take, draw, rest, set, reading: () => ({ ...now, shown: reading(), held, levels }) };
});

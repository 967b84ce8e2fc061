// The fader's line in the picture of a ride bench: click on the line for a new point, or drag it from there; drag a point to move it.
// Every point is a button, too, moved by the arrow keys. See by_hand.js.
window.vocompByHand(document.currentScript && document.currentScript.closest(".vocomp-by-hand-output") &&
  document.currentScript.closest(".vocomp-by-hand-output").querySelector(".vocomp-hand-bar"), "__ID__", (hand) => {
  "use strict";
  const POINT_PX = 10, LINE_PX = 8, REST_MS = 200, SIZE_PX = 18;
  const STEPS = { ArrowLeft: [-0.05, 0], ArrowRight: [0.05, 0], ArrowUp: [0, 0.5], ArrowDown: [0, -0.5] };
  const FINE = 0.2; // of a step, with Shift
  const OTHERS = { PageUp: -1, PageDown: 1, ",": -1, ".": 1 };
  const clamp = (value, low, high) => Math.min(Math.max(value, low), high);
  const spoken = ([at, db]) => `${at.toFixed(2)} s, ${(db > 0 ? "+" : db < 0 ? "−" : "") + Math.abs(db).toFixed(1)} dB`;
  let moving = null, laid = "";

  // ---- the line -------------------------------------------------------------------------------------------------------------

  const dbAt = (down) => { const [top, bottom] = hand.state().gain_range_db; return top + down * (bottom - top); };
  const downAt = (db) => { const [top, bottom] = hand.state().gain_range_db; return clamp((db - top) / (bottom - top), 0, 1); };

  function gainAt(points, seconds) {
    if (!points.length) return 0;
    const next = points.findIndex(([at]) => at > seconds);
    if (next === 0) return points[0][1];
    if (next < 0) return points[points.length - 1][1];
    const [[t0, g0], [t1, g1]] = [points[next - 1], points[next]];
    return g0 + ((g1 - g0) * (seconds - t0)) / (t1 - t0);
  }

  // Where a point may go: not past its neighbours, and in whole milliseconds, as Python keeps it.
  function within(points, index, at, db) {
    const { at_s, gain_db, apart_s } = hand.state().limits;
    const low = index > 0 ? points[index - 1][0] + apart_s : at_s[0], high = index + 1 < points.length ? points[index + 1][0] - apart_s : at_s[1];
    const first = Math.ceil(1000 * low - 1e-6), last = Math.max(first, Math.floor(1000 * high + 1e-6));
    return [clamp(Math.round(1000 * at), first, last) / 1000, clamp(Math.round(10 * db) / 10, ...gain_db)];
  }

  // Until Python answers, the point is where it was told to be, so that the next move finds it there.
  function put(points, command) {
    hand.tell(command);
    hand.state().points = points;
  }

  function changed({ hit, from }, at) {
    const { points } = hand.state(), db = dbAt(at.down);
    if (hit.part === "point") {
      const [was, gain] = points[hit.index] || [hit.was, hit.db];
      const to = within(points, hit.index, was + at.seconds - from.seconds, gain + db - dbAt(from.down));
      return { to, points: points.map((point, n) => (n === hit.index ? to : point)) };
    }
    return added(points, from.seconds, at.seconds, db);
  }

  // One more point: begun at one moment, and dragged to another.
  function added(points, begun, at, db) {
    const index = points.filter(([time]) => time <= begun).length, more = [...points.slice(0, index), [begun, db], ...points.slice(index)];
    const to = within(more, index, at, db);
    return { to, points: more.map((point, n) => (n === index ? to : point)) };
  }

  // The line as it would be, over the picture.
  function sketch(picture, points) {
    const shape = window.vocompPlayhead.over(picture.parentElement, "vocomp-ride-sketch", "z-index:3");
    shape.style.display = points ? "block" : "none";
    if (!points) return;
    const [left, top, right, bottom] = hand.state().time_box, [start, end] = hand.state().window;
    const times = [start, ...points.map(([at]) => at).filter((at) => at > start && at < end), end];
    const path = times.map((at) => `${(1000 * (at - start)) / (end - start)},${1000 * downAt(gainAt(points, at))}`).join(" ");
    shape.innerHTML = `<svg width="100%" height="100%" viewBox="0 0 1000 1000" preserveAspectRatio="none" style="display:block">
      <polyline points="${path}" fill="none" stroke="#0072B2" stroke-width="3" stroke-dasharray="6 4" vector-effect="non-scaling-stroke"/></svg>`;
    hand.lay(shape, picture, left, top, right, bottom);
  }

  function under(at) {
    const { points } = hand.state(), dbPerPixel = Math.abs(dbAt(1) - dbAt(0)) / at.pixels, db = dbAt(at.down);
    const far = points.map(([time, gain]) => Math.hypot((time - at.seconds) / at.perPixel, (gain - db) / dbPerPixel));
    const index = far.indexOf(Math.min(...far));
    if (far[index] <= POINT_PX) return { part: "point", index, was: points[index][0], db: points[index][1] };
    return { part: Math.abs(gainAt(points, at.seconds) - db) / dbPerPixel <= LINE_PX ? "line" : "none" };
  }

  // ---- the points as buttons --------------------------------------------------------------------------------------------------

  function place(picture, button, [at, db]) {
    const box = picture.getBoundingClientRect(), [, top, , bottom] = hand.state().time_box, [start, end] = hand.state().window;
    const x = hand.across(at), y = top + (bottom - top) * downAt(db), wide = SIZE_PX / 2 / box.width, high = SIZE_PX / 2 / box.height;
    button.style.display = at >= start && at <= end ? "block" : "none";
    hand.lay(button, picture, x - wide, y - high, x + wide, y + high);
  }

  function buttons(picture) {
    let holder = picture.parentElement.querySelector(":scope > .vocomp-ride-points");
    if (!holder) {
      holder = document.createElement("div");
      holder.className = "vocomp-ride-points";
      holder.setAttribute("role", "group");
      holder.setAttribute("aria-label", hand.state().label);
      holder.dataset.lmSuppressShortcuts = "true";
      picture.parentElement.style.position = "relative";
      picture.parentElement.appendChild(holder);
      holder.addEventListener("keydown", (event) => key(picture, holder, event));
    }
    return holder;
  }

  function seen(picture, said) {
    const { points, number, window: sight, gain_range_db } = hand.state(), box = picture.getBoundingClientRect();
    const now = JSON.stringify([points, number, sight, gain_range_db, box.width, box.height]);
    if (!said && now === laid) return;
    laid = box.width ? now : "";
    if (moving && !moving.timer && !hand.waiting()) stopMoving(picture);
    const holder = buttons(picture);
    holder.hidden = !box.width; // the picture is held back
    if (holder.hidden) return;
    const had = [...holder.children].indexOf(document.activeElement);
    while (holder.children.length > points.length) holder.lastChild.remove();
    while (holder.children.length < points.length) {
      const button = document.createElement("button");
      button.type = "button";
      // The mouse belongs to the picture below: it reaches a line there, too.
      button.style.cssText = "position:absolute;padding:0;border:0;border-radius:50%;background:none;pointer-events:none;z-index:4";
      button.dataset.lmSuppressShortcuts = "true";
      button.addEventListener("focus", () => { const n = [...holder.children].indexOf(button); if (n !== hand.state().number) choose(n); });
      holder.appendChild(button);
    }
    const chosen = clamp(number, 0, points.length - 1);
    [...holder.children].forEach((button, n) => {
      button.tabIndex = n === chosen ? 0 : -1;
      button.setAttribute("aria-label", `Point ${n + 1} of ${points.length}: ${spoken(points[n])}`);
      if (!(moving && moving.index === n)) place(picture, button, points[n]);
    });
    // Where the point with the keys was removed, its neighbour gets them.
    if (had >= points.length && points.length) holder.lastChild.focus();
    if (holder.dataset.lost && points.length) holder.children[clamp(Number(holder.dataset.lost), 0, points.length - 1)].focus();
    delete holder.dataset.lost;
  }

  function choose(index) {
    const point = hand.state().points[index];
    if (point) hand.tell({ do: "choose", was: point[0] });
  }

  function stopMoving(picture) {
    moving = null;
    sketch(picture, null);
  }

  // Steps that follow one another quickly are one move.
  function step(picture, holder, index, by, db) {
    const { points } = hand.state();
    if (!moving || moving.index !== index) moving = { index, was: points[index], to: points[index] };
    clearTimeout(moving.timer);
    moving.to = within(points, index, moving.to[0] + by, moving.to[1] + db);
    const button = holder.children[index];
    button.setAttribute("aria-label", `Point ${index + 1} of ${points.length}: ${spoken(moving.to)}`);
    place(picture, button, moving.to);
    sketch(picture, points.map((point, n) => (n === index ? moving.to : point)));
    const mine = moving;
    mine.timer = setTimeout(() => {
      mine.timer = 0;
      const [at_s, gain_db] = mine.to, [was, db] = mine.was;
      if (at_s === was && gain_db === db) {
        if (!hand.waiting()) stopMoving(picture);
        return;
      }
      mine.was = mine.to;
      put(hand.state().points.map((point) => (point[0] === was ? mine.to : point)), { do: "move", was, at_s, gain_db });
    }, REST_MS);
  }

  function key(picture, holder, event) {
    const index = [...holder.children].indexOf(event.target), { points } = hand.state(), undo = event.key.toLowerCase();
    if (index < 0) return;
    if ((event.ctrlKey || event.metaKey) && (undo === "z" || undo === "y")) {
      const button = hand.find(undo === "y" || event.shiftKey ? "redo" : "undo");
      if (button) button.click();
    } else if (event.ctrlKey || event.metaKey || event.altKey) return;
    else if (STEPS[event.key]) {
      const [by, db] = STEPS[event.key].map((value) => value * (event.shiftKey ? FINE : 1));
      step(picture, holder, index, by, db);
    } else if (OTHERS[event.key]) {
      const next = holder.children[index + OTHERS[event.key]];
      if (next) { next.tabIndex = 0; next.focus(); }
    } else if (event.key === "Delete" || event.key === "Backspace") {
      holder.dataset.lost = index;
      hand.tell({ do: "delete", was: points[index][0] });
    } else return;
    event.preventDefault();
    event.stopPropagation();
  }

  return {
    under,
    seen,
    cursor: ({ part }) => ({ point: "grab", line: "copy" })[part],
    shape: (picture, drag, at) => sketch(picture, at && drag.hit.part !== "none" ? changed(drag, at).points : null),
    dropped(drag, at) {
      if (drag.hit.part === "none") return;
      const { to: [at_s, gain_db], points } = changed(drag, at);
      put(points, drag.hit.part === "point" ? { do: "move", was: drag.hit.was, at_s, gain_db } : { do: "add", at_s, gain_db });
    },
    clicked(hit, at) {
      if (hit.part === "point") hand.tell({ do: "choose", was: hit.was });
      if (hit.part === "line") {
        const old = hand.state().points, { to: [at_s, gain_db], points } = added(old, at.seconds, at.seconds, gainAt(old, at.seconds));
        put(points, { do: "add", at_s, gain_db });
      }
      return hit.part !== "none";
    },
  };
});

// The mouse in the picture of a region bench: drag over an empty place for a new region, inside a region to move it, at an edge
// of a region or section to move the edge; click to choose. Python says where the regions are in a hidden line of JSON, and gets what was dragged in a
// hidden text field. The list and the fields above the picture do all of this by keyboard, too.
(function (root, id) {
  "use strict";
  if (!root || root.dataset.wired) return;
  root.dataset.wired = "1";
  const OUTLINE = "border:2px dashed #0072B2;background:rgba(0,114,178,.12);z-index:3";
  const EDGE_PX = 7, LEAST_PX = 4, AROUND_S = 0.6, TOLD_APART_S = 0.25;
  const find = (part) => document.querySelector(`.vocomp-${id}-${part}`);
  const lines = window.vocompLines(find, () => read());
  const loopBox = root.querySelector('[data-part="loop-chosen"]');
  let state = null, drag = null, sent = 0, swallowClick = false, told_s = 0;

  // The number makes the line change even if the same command comes twice in a row.
  const tell = (command) => lines.tell("command", JSON.stringify({ ...command, number: ++sent }));

  function place(event, picture) {
    const box = picture.getBoundingClientRect(), [left, top, right, bottom] = state.time_box;
    const share = ((event.clientX - box.left) / box.width - left) / (right - left), down = (event.clientY - box.top) / box.height;
    const seconds = state.window[0] + share * (state.window[1] - state.window[0]);
    const perPixel = (state.window[1] - state.window[0]) / (box.width * (right - left));
    return { seconds, perPixel, inside: share >= 0 && share <= 1 && down >= top && down <= bottom };
  }

  function under(at) {
    // An edge wins over the inside. Where two edges touch, the pointer decides whose it is.
    const reach = EDGE_PX * at.perPixel;
    for (const [index, [start, end]] of state.regions.entries()) {
      const grip = Math.min(reach, (end - start) / 3);
      if (at.seconds > start - reach && at.seconds < start + grip) return { part: "start", index, start, end };
      if (at.seconds > end - grip && at.seconds < end + reach) return { part: "end", index, start, end };
    }
    for (const [index, edge] of state.edges.entries()) {
      if (Math.abs(at.seconds - edge) < reach) return { part: "section", index, start: edge, end: edge };
    }
    for (const [index, [start, end]] of state.regions.entries()) {
      if (at.seconds >= start && at.seconds <= end) return { part: "all", index, start, end };
    }
    return { part: "new" };
  }

  function stretch(at) {
    const moved = at.seconds - drag.from, { part, start, end } = drag.hit;
    if (part === "new") return [Math.min(drag.from, at.seconds), Math.max(drag.from, at.seconds)];
    if (part === "section") return [start + moved, start + moved];
    if (part === "all") { const by = Math.max(moved, -start); return [start + by, end + by]; }
    return part === "start" ? [Math.min(start + moved, end), end] : [start, Math.max(end + moved, start)];
  }

  function outline(picture, edges) {
    const holder = picture.parentElement, shape = window.vocompPlayhead.over(holder, "vocomp-drag", OUTLINE);
    shape.style.display = edges ? "block" : "none";
    if (!edges) return;
    const box = picture.getBoundingClientRect(), frame = holder.getBoundingClientRect(), [left, top, right, bottom] = state.time_box;
    const x = (s) => left + (right - left) * Math.min(Math.max((s - state.window[0]) / (state.window[1] - state.window[0]), 0), 1);
    shape.style.left = box.left - frame.left + x(edges[0]) * box.width + "px";
    shape.style.width = (x(edges[1]) - x(edges[0])) * box.width + "px";
    shape.style.top = box.top - frame.top + top * box.height + "px";
    shape.style.height = (bottom - top) * box.height + "px";
  }

  function wire(picture) {
    picture.dataset.regions = "1";
    picture.style.touchAction = "pan-y";
    picture.addEventListener("dragstart", (event) => event.preventDefault());
    picture.addEventListener("pointerdown", (event) => {
      read();
      if (!state || event.button !== 0) return;
      const at = place(event, picture);
      if (!at.inside) return;
      drag = { from: at.seconds, x: event.clientX, hit: under(at), far: false };
      picture.setPointerCapture(event.pointerId);
    });
    picture.addEventListener("pointermove", (event) => {
      if (!state) return;
      const at = place(event, picture);
      if (!drag) {
        const part = at.inside ? under(at).part : "";
        picture.style.cursor = { start: "ew-resize", end: "ew-resize", section: "col-resize", all: "grab", new: "crosshair" }[part] || "";
        return;
      }
      drag.far = drag.far || Math.abs(event.clientX - drag.x) >= LEAST_PX;
      if (drag.far) outline(picture, stretch(at));
    });
    const end = (event, dropped) => {
      if (!drag) return;
      const at = place(event, picture), was = drag, edges = stretch(at);
      drag = null;
      outline(picture, null);
      if (!dropped) return;
      swallowClick = was.far;
      if (was.far) {
        const [start_s, end_s] = edges;
        // A move says by how much, not where to: the regions on the page may be older than those that Python holds.
        const by_s = was.hit.part === "start" ? start_s - was.hit.start : end_s - was.hit.end;
        if (was.hit.part === "section") { tell({ do: "edge", index: was.hit.index, by_s }); return; }
        tell(was.hit.part === "new" ? { do: "add", start_s, end_s } : { do: "move", index: was.hit.index, part: was.hit.part, by_s });
        return;
      }
      if (was.hit.part === "section") { tell({ do: "choose", kind: "section", index: was.hit.index + 1 }); return; }
      if (was.hit.part !== "new") tell({ do: "choose", kind: "region", index: was.hit.index });
      const offered = state.proposals.find(([, start, stop]) => at.seconds >= start && at.seconds <= stop);
      if (was.hit.part === "new" && offered) tell({ do: "choose", kind: "proposal", index: offered[0] });
    };
    picture.addEventListener("pointerup", (event) => end(event, true));
    picture.addEventListener("pointercancel", (event) => end(event, false));
    // A drag is not a click: the player must not jump there.
    picture.parentElement.addEventListener("click", (event) => {
      if (swallowClick) { swallowClick = false; event.stopPropagation(); event.preventDefault(); }
    }, true);
  }

  function thePlayer() {
    const bar = document.querySelector(`.vocomp-player input[name="vocomp-${id}"]`), player = bar && bar.closest(".vocomp-player");
    return player && player.vocomp ? player : null;
  }

  // A section is split where the player is, so Python is told the place while a section is chosen.
  function tellPlayhead() {
    const player = state.splits && thePlayer();
    if (!player || Math.abs(player.vocomp.position() - told_s) < (player.vocomp.playing() ? TOLD_APART_S : 0.01)) return;
    told_s = player.vocomp.position();
    tell({ do: "playhead", at_s: told_s });
  }

  function follow() {
    const player = thePlayer();
    if (!loopBox.checked || !player || !player.vocomp.playing() || !state.chosen) return;
    const start = Math.max(state.chosen[0] - AROUND_S, 0), at = player.vocomp.position(), seek = player.querySelector('[data-part="seek"]');
    if (at >= start - 0.05 && at <= Math.min(state.chosen[1] + AROUND_S, Number(seek.max))) return;
    if (at > start - 0.1 && at < start + 0.1) return;
    seek.value = start;
    seek.dispatchEvent(new Event("input", { bubbles: true }));
  }

  function read() {
    state = lines.changed("regions") || state;
  }

  function tick() {
    if (!root.isConnected) return;
    const picture = find("picture");
    read();
    if (!state) return;
    root.hidden = false;
    if (picture && !picture.dataset.regions) wire(picture);
    const editor = find("editor"), list = find("list"), select = list && list.querySelector("select");
    // JupyterLab leaves keys alone where the focused element has this mark. Otherwise its arrow and Enter keys would choose cells.
    if (editor) for (const part of editor.querySelectorAll("select,button,input")) {
      if (!part.dataset.lmSuppressShortcuts) part.dataset.lmSuppressShortcuts = "true";
    }
    if (select) select.setAttribute("aria-label", "Regions, proposals and sections");
    tellPlayhead();
    follow();
  }

  setInterval(tick, 100);
})(document.currentScript && document.currentScript.closest(".vocomp-regions-output") &&
   document.currentScript.closest(".vocomp-regions-output").querySelector(".vocomp-regions"), "__ID__");

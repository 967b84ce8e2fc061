// The mouse in the picture of a region bench: drag over an empty place for a new region, inside a region to move it, at an edge
// of a region or section to move the edge; click to choose. See by_hand.js.
window.vocompByHand(document.currentScript && document.currentScript.closest(".vocomp-by-hand-output") &&
  document.currentScript.closest(".vocomp-by-hand-output").querySelector(".vocomp-hand-bar"), "__ID__", (hand) => {
  "use strict";
  const OUTLINE = "border:2px dashed #0072B2;background:rgba(0,114,178,.12);z-index:3", EDGE_PX = 7;
  let told_s = 0;

  function under(at) {
    // An edge wins over the inside. Where two edges touch, the pointer decides whose it is.
    const reach = EDGE_PX * at.perPixel, { regions, edges } = hand.state();
    for (const [index, [start, end]] of regions.entries()) {
      const grip = Math.min(reach, (end - start) / 3);
      if (at.seconds > start - reach && at.seconds < start + grip) return { part: "start", index, start, end };
      if (at.seconds > end - grip && at.seconds < end + reach) return { part: "end", index, start, end };
    }
    for (const [index, edge] of edges.entries()) {
      if (Math.abs(at.seconds - edge) < reach) return { part: "section", index, start: edge, end: edge };
    }
    for (const [index, [start, end]] of regions.entries()) {
      if (at.seconds >= start && at.seconds <= end) return { part: "all", index, start, end };
    }
    return { part: "new" };
  }

  function stretch({ from, hit: { part, start, end } }, at) {
    const moved = at.seconds - from.seconds;
    if (part === "new") return [Math.min(from.seconds, at.seconds), Math.max(from.seconds, at.seconds)];
    if (part === "section") return [start + moved, start + moved];
    if (part === "all") { const by = Math.max(moved, -start); return [start + by, end + by]; }
    return part === "start" ? [Math.min(start + moved, end), end] : [start, Math.max(end + moved, start)];
  }

  return {
    under,
    cursor: ({ part }) => ({ start: "ew-resize", end: "ew-resize", section: "col-resize", all: "grab", new: "crosshair" })[part],
    shape(picture, drag, at) {
      const shape = window.vocompPlayhead.over(picture.parentElement, "vocomp-drag", OUTLINE), [, top, , bottom] = hand.state().time_box;
      shape.style.display = at ? "block" : "none";
      if (!at) return;
      const [start, end] = stretch(drag, at);
      hand.lay(shape, picture, hand.across(start), top, hand.across(end), bottom);
    },
    dropped(drag, at) {
      const [start_s, end_s] = stretch(drag, at), { part, index, start, end } = drag.hit;
      if (part === "new") return hand.tell({ do: "add", start_s, end_s });
      // A move says by how much, not where to: the regions on the page may be older than those that Python holds.
      if (part === "section") return hand.tell({ do: "edge", index, by_s: start_s - start });
      hand.tell({ do: "move", index, part, by_s: part === "start" ? start_s - start : end_s - end });
    },
    // A section is split where the player stands, so Python is told the place while a section is chosen and nothing plays; not
    // while somebody types.
    seen() {
      const player = hand.state().splits && hand.player(), editor = hand.find("editor"), busy = document.activeElement;
      if (!player || player.vocomp.playing() || Math.abs(player.vocomp.position() - told_s) < 0.01) return;
      if (busy && busy.matches("input") && editor && editor.contains(busy)) return;
      told_s = player.vocomp.position();
      hand.tell({ do: "playhead", at_s: told_s });
    },
    clicked({ part, index }, at) {
      if (part === "section") return hand.tell({ do: "choose", kind: "section", index: index + 1 });
      if (part !== "new") return hand.tell({ do: "choose", kind: "region", index });
      const offered = hand.state().proposals.find(([, start, stop]) => at.seconds >= start && at.seconds <= stop);
      if (offered) hand.tell({ do: "choose", kind: "proposal", index: offered[0] });
    },
  };
});

// The play position over a picture, and clicks into it. A state says where time runs in the picture.
window.vocompPlayhead = window.vocompPlayhead || (() => {
  "use strict";

  function lineOver(holder) {
    let line = holder.querySelector(":scope > .vocomp-playhead");
    if (!line) {
      line = document.createElement("div");
      line.className = "vocomp-playhead";
      line.setAttribute("aria-hidden", "true");
      line.style.cssText = "position:absolute;left:0;top:0;width:0;border-left:2px solid #CC79A7;pointer-events:none;z-index:2;will-change:transform";
      holder.style.position = "relative";
      holder.appendChild(line);
    }
    return line;
  }

  function move(picture, state, at) {
    if (!picture || !picture.parentElement) return;
    const holder = picture.parentElement, line = lineOver(holder);
    const share = (at - state.window[0]) / (state.window[1] - state.window[0]);
    const box = picture.getBoundingClientRect(), frame = holder.getBoundingClientRect();
    const [left, top, right, bottom] = state.time_box;
    const x = left + share * (right - left);
    line.style.display = share >= 0 && share <= 1 && box.width ? "block" : "none";
    line.style.height = (bottom - top) * box.height + "px";
    // Moved by a transform, which needs no new layout.
    line.style.transform = `translate(${box.left - frame.left + x * box.width}px, ${box.top - frame.top + top * box.height}px)`;
  }

  // The time that was clicked; null beside the time axis.
  function clicked(event, state) {
    const box = event.currentTarget.getBoundingClientRect();
    const [left, top, right, bottom] = state.time_box;
    const share = ((event.clientX - box.left) / box.width - left) / (right - left), down = (event.clientY - box.top) / box.height;
    const inside = share >= 0 && share <= 1 && down >= top && down <= bottom;
    return inside ? state.window[0] + share * (state.window[1] - state.window[0]) : null;
  }

  return { move, clicked };
})();

// The play position over a picture, and clicks into it. A state says where time runs in the picture.
window.vocompPlayhead = window.vocompPlayhead || (() => {
  "use strict";

  const LINE = "left:0;top:0;width:0;border-left:2px solid #CC79A7;z-index:2;will-change:transform";

  // What lies over a picture and belongs to no click: made once for each name, in the element that holds the picture.
  function over(holder, name, style) {
    let shape = holder.querySelector(`:scope > .${name}`);
    if (!shape) {
      shape = document.createElement("div");
      shape.className = name;
      shape.setAttribute("aria-hidden", "true");
      shape.style.cssText = "position:absolute;pointer-events:none;" + style;
      holder.style.position = "relative";
      holder.appendChild(shape);
    }
    return shape;
  }

  function move(picture, state, at) {
    if (!picture || !picture.parentElement) return;
    const holder = picture.parentElement, line = over(holder, "vocomp-playhead", LINE);
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

  return { over, move, clicked };
})();

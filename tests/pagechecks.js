// What pagechecks.py asks of a page. Each function stands alone and returns plain data.

// Every bench with its player, numbered in order. Both carry the number, so that they are found again.
function findBenches() {
  const found = [];
  for (const [cell, node] of [...document.querySelectorAll(".jp-Notebook .jp-Cell")].entries()) {
    for (const player of node.querySelectorAll(".vocomp-player")) {
      const id = player.querySelector("input[type=radio]").name.slice(7), tracks = player.dataset.tracks || "";
      const part = (name) => node.querySelector(`.vocomp-${id}-${name}`), number = found.length + 1;
      player.dataset.underTest = part("state").closest(".vocomp-bench").dataset.underTest = part("notes").dataset.underTest = number;
      const kind = part("take-the-proposal") ? "rides"
        : part("editor") ? "regions"
        : part("slider-balance") ? "mix"
        : tracks.startsWith("before,render") ? "gallery"
        : tracks === "first,second,third" ? "practice"
        : ["a,b,x", "first,second"].includes(tracks) ? "blind" : "bench";
      found.push({ number, cell, id, kind, tracks });
    }
  }
  return found;
}

// What is cut off, lies over something else, or makes its cell scroll sideways, in sentences.
function faultsOfFit(number) {
  const faults = [], canvas = document.createElement("canvas").getContext("2d");
  const name = (e) => e.getAttribute("aria-label") || e.textContent.trim().slice(0, 40) || e.className || e.tagName;
  const shown = (e) => {
    const box = e.getBoundingClientRect();
    return box.width > 1 && box.height > 1 && getComputedStyle(e).visibility !== "hidden";
  };
  const written = "button,label,.widget-label,span,.vocomp-step,legend";
  const parts =
    "button,select,input,textarea,.noUi-target,.widget-label,.vocomp-numbers span,.vocomp-step,label,legend,img";
  for (const root of document.querySelectorAll(`[data-under-test="${number}"]`)) {
    if (!shown(root)) continue;
    const holder = root.closest(".jp-OutputArea-output") || root.parentElement;
    const edge = Math.min(holder.getBoundingClientRect().right, innerWidth) + 1;
    for (const [what, e] of [["the bench", root], ["the cell", holder]]) {
      const beyond = `${e.scrollWidth} px in ${e.clientWidth}`;
      if (e.scrollWidth > e.clientWidth + 1) faults.push(`${what} scrolls sideways: ${beyond}`);
    }
    const seen = [...root.querySelectorAll(parts)]
      .filter((e) => shown(e) && !e.closest(".vocomp-still,[aria-hidden=true]"));
    for (const e of seen) {
      const box = e.getBoundingClientRect();
      if (box.right > edge || box.left < -1) faults.push(`cut off at the side: ${name(e)}`);
      if (e.matches(written) && e.scrollWidth > e.clientWidth + 1 && e.clientWidth) {
        faults.push(`cut off: ${name(e)} (${e.scrollWidth} px in ${e.clientWidth})`);
      }
      if (e.matches("select:not([size]),input[type=text],input[type=number]")) {
        const style = getComputedStyle(e), arrow = e.matches("select") ? 16 : 0;
        const text = (e.matches("select") ? e.selectedOptions[0].textContent : e.value).trim();
        canvas.font = style.font;
        const needed = canvas.measureText(text).width;
        const room = e.clientWidth - parseFloat(style.paddingLeft) - Math.max(parseFloat(style.paddingRight), arrow);
        if (needed > room + 1) faults.push(`cut off: ${text} (${Math.ceil(needed)} px in ${Math.floor(room)})`);
      }
    }
    for (const [place, a] of seen.entries()) {
      for (const b of seen.slice(place + 1)) {
        if (a.contains(b) || b.contains(a)) continue;
        const p = a.getBoundingClientRect(), q = b.getBoundingClientRect();
        const across = Math.min(p.right, q.right) - Math.max(p.left, q.left);
        const down = Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top);
        const size = `${across.toFixed(0)} × ${down.toFixed(0)} px`;
        if (across > 2 && down > 2) faults.push(`${name(a)} lies over ${name(b)} by ${size}`);
      }
    }
  }
  return faults;
}

// For each text: its computed size in px, whether it is a hint that a class need not read, and the text itself.
function letterSizes(number) {
  const sizes = [];
  for (const root of document.querySelectorAll(`[data-under-test="${number}"]`)) {
    for (const e of root.querySelectorAll("*")) {
      const box = e.getBoundingClientRect();
      const own = [...e.childNodes].some((node) => node.nodeType === Node.TEXT_NODE && node.textContent.trim());
      if (box.width < 2 || box.height < 2 || e.closest("style,script,option,.vocomp-still")) continue;
      if (!own && !e.matches("input[type=text],input[type=number],select")) continue;
      const text = (e.value || e.textContent).trim().slice(0, 50);
      sizes.push([parseFloat(getComputedStyle(e).fontSize), Boolean(e.closest(".keys,textarea")), text]);
    }
  }
  return sizes;
}

// For each slider in sight, and for none: how many px high a screen must be to show it together with Play, what can be heard and the
// picture's panels with a time axis; and how many px high the notebook's is.
function heightsInReach(number) {
  const roots = [...document.querySelectorAll(`[data-under-test="${number}"]`)];
  const seen = (selector) => roots.flatMap((root) => [...root.querySelectorAll(selector)]).filter((e) => e.getBoundingClientRect().width > 1);
  const needed = seen("[data-part=play],.vocomp-player fieldset").map((e) => e.getBoundingClientRect());
  const picture = seen("img[class*='-picture']")[0], state = roots.map((root) => root.querySelector("[class*='-state']")).find(Boolean);
  if (picture && state) {
    const box = picture.getBoundingClientRect(), [, top, , bottom] = JSON.parse(state.textContent).time_box;
    needed.push({ top: box.top + top * box.height, bottom: box.top + bottom * box.height });
  }
  const height = (boxes) => Math.max(...boxes.map((box) => box.bottom)) - Math.min(...boxes.map((box) => box.top));
  const sliders = seen(".vocomp-controls .noUi-handle,[class*='slider-balance'] .noUi-handle").map((e) => {
    const box = e.getBoundingClientRect();
    return [e.getAttribute("aria-label"), Math.round(height([...needed, box]))];
  });
  const panel = document.querySelector(".jp-WindowedPanel-outer, .jp-Notebook");
  return { room: panel.getBoundingClientRect().height, needed: [["no slider", Math.round(height(needed))], ...sliders] };
}

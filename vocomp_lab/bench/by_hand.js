// The mouse in a picture that is edited by hand, for regions.js and rides.js. Python says where everything is in a hidden line of
// JSON, and gets what was done in a hidden text field. The list and the fields above the picture do all of this by keyboard, too.
window.vocompByHand = window.vocompByHand || ((root, id, make) => {
  "use strict";
  if (!root || root.dataset.wired) return;
  root.dataset.wired = "1";
  const LEAST_PX = 4, AROUND_S = 0.6; // heard before and after what is chosen, if only that is played
  const find = (part) => document.querySelector(`.vocomp-${id}-${part}`);
  const lines = window.vocompLines(find, () => read());
  const loopBox = root.querySelector('[data-part="loop-chosen"]');
  // Numbers that no page before this one has sent.
  const queue = [], PATIENCE_MS = 10000;
  let state = null, drag = null, sent = Date.now(), passed = null, passedAt = 0, swallowClick = false;

  function thePlayer() {
    const bar = document.querySelector(`.vocomp-player input[name="vocomp-${id}"]`), player = bar && bar.closest(".vocomp-player");
    return player && player.vocomp ? player : null;
  }

  const unanswered = () => passed !== null && state.answered !== passed && Date.now() - passedAt < PATIENCE_MS;

  // One command at a time: of two that wait while Python is busy only the last one would reach it.
  function pass() {
    if (!queue.length || unanswered()) return;
    const command = queue.shift();
    passed = command.number;
    passedAt = Date.now();
    lines.tell("command", JSON.stringify(command));
  }

  const hand = {
    find,
    player: thePlayer,
    state: () => state,
    // Whether Python has yet to answer something.
    waiting: () => queue.length > 0 || unanswered(),
    // The number makes the line change even if the same command comes twice in a row, and comes back as `answered`.
    tell(command) {
      queue.push({ ...command, number: ++sent });
      pass();
    },
    // Across the picture, as a share of its width.
    across(seconds) {
      const [left, , right] = state.time_box, [start, end] = state.window;
      return left + (right - left) * Math.min(Math.max((seconds - start) / (end - start), 0), 1);
    },
    // Put something over a part of the picture; shares of its width and height from the top left.
    lay(shape, picture, left, top, right, bottom) {
      const box = picture.getBoundingClientRect(), frame = picture.parentElement.getBoundingClientRect();
      shape.style.left = box.left - frame.left + left * box.width + "px";
      shape.style.top = box.top - frame.top + top * box.height + "px";
      shape.style.width = (right - left) * box.width + "px";
      shape.style.height = (bottom - top) * box.height + "px";
    },
  };
  // What a kind of list does: under(at) says what is there; shape(picture, drag, at) shows a drag under way, or none without `at`;
  // dropped(drag, at) and clicked(hit, at) do something, and clicked is true if the player must not jump there; cursor(hit) is the
  // pointer's look; seen(picture) is called ten times a second and when Python has said something.
  const kind = make(hand);

  function place(event, picture) {
    const box = picture.getBoundingClientRect(), [left, top, right, bottom] = state.time_box;
    const share = ((event.clientX - box.left) / box.width - left) / (right - left), down = (event.clientY - box.top) / box.height;
    const seconds = state.window[0] + share * (state.window[1] - state.window[0]);
    const perPixel = (state.window[1] - state.window[0]) / (box.width * (right - left));
    return { seconds, perPixel, down: (down - top) / (bottom - top), pixels: box.height * (bottom - top), inside: share >= 0 && share <= 1 && down >= top && down <= bottom };
  }

  function wire(picture) {
    picture.dataset.byHand = "1";
    picture.style.touchAction = "pan-y";
    picture.addEventListener("dragstart", (event) => event.preventDefault());
    picture.addEventListener("pointerdown", (event) => {
      read();
      if (!state || event.button !== 0) return;
      const at = place(event, picture);
      if (!at.inside) return;
      drag = { from: at, x: event.clientX, y: event.clientY, hit: kind.under(at), far: false };
      picture.setPointerCapture(event.pointerId);
    });
    picture.addEventListener("pointermove", (event) => {
      if (!state) return;
      const at = place(event, picture);
      if (!drag) {
        picture.style.cursor = (at.inside && kind.cursor(kind.under(at))) || "";
        return;
      }
      drag.far = drag.far || Math.hypot(event.clientX - drag.x, event.clientY - drag.y) >= LEAST_PX;
      if (drag.far) kind.shape(picture, drag, at);
    });
    const end = (event, dropped) => {
      if (!drag) return;
      const at = place(event, picture), was = drag;
      drag = null;
      kind.shape(picture, was, null);
      if (!dropped) return;
      swallowClick = was.far;
      if (was.far) kind.dropped(was, at);
      else swallowClick = Boolean(kind.clicked(was.hit, at));
    };
    picture.addEventListener("pointerup", (event) => end(event, true));
    picture.addEventListener("pointercancel", (event) => end(event, false));
    // A drag is not a click: the player must not jump there.
    picture.parentElement.addEventListener("click", (event) => {
      if (swallowClick) { swallowClick = false; event.stopPropagation(); event.preventDefault(); }
    }, true);
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
    const said = lines.changed("edited"), picture = find("picture");
    state = said || state;
    if (said && picture && kind.seen) kind.seen(picture, true);
    if (state) pass();
  }

  function tick() {
    if (!root.isConnected) return;
    const picture = find("picture");
    read();
    if (!state) return;
    root.hidden = false;
    if (picture && !picture.dataset.byHand) wire(picture);
    if (picture && kind.seen) kind.seen(picture, false);
    const editor = find("editor"), list = find("list"), select = list && list.querySelector("select");
    // JupyterLab leaves keys alone where the focused element has this mark. Otherwise its arrow and Enter keys would choose cells.
    if (editor) for (const part of editor.querySelectorAll("select,button,input")) {
      if (!part.dataset.lmSuppressShortcuts) part.dataset.lmSuppressShortcuts = "true";
    }
    if (select) select.setAttribute("aria-label", state.label);
    follow();
  }

  setInterval(tick, 100);
});

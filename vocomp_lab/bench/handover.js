// Hands a take over to Python, message by message (pieces.js): Python's last answer says which one is due. The answers are a hidden line
// of JSON, the state. A kernel that is busy or gone loses nothing: the take stays in the page until Python has it.
//
// Of a recorder, `id` names the hidden elements and `root` is the box; `take` gives the take in hand, or null. `note` shows a sentence
// about the way to Python, or none; `changed` hears that something is over, `failed` that a message went wrong, and `kept` what Python
// says of a take that it has kept. `gone_s` is how long an answer may take.
window.vocompHandover = window.vocompHandover || ((recorder) => {
  "use strict";
  const { id, root, gone_s, take, note, changed, failed, kept } = recorder;
  const BUSY_MS = 3000, GONE_MS = 1000 * gone_s;
  const { upper } = window.vocompWording, takes = window.vocompTakes;
  const find = (part) => document.querySelector(`.vocomp-${id}-${part}`);
  const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
  let state = null, stateText = "";
  let inbox = null, posting = false, farewell = "";
  let stuck = false; // nothing is handed over until it is asked for again

  function read() {
    const holder = find("state"), text = holder ? holder.textContent.trim() : "";
    if (!text || text === stateText) return;
    try { state = JSON.parse(text); } catch (error) { return; }
    stateText = text;
  }

  // Whether what Python has is the take in hand.
  const known = () => Boolean(state && take() && state.token === take().token);

  // The next message that is due: its kind, its number, what it holds, and the take's token.
  function due() {
    const mine = take();
    if (farewell) return ["again", 0, "", farewell];
    if (!mine || (!mine.chunks && !mine.ended)) return null;
    if (!known() && mine.chunks) return ["begin", 0, JSON.stringify({ rate: mine.rate, started: mine.started }), mine.token];
    if (!known()) return trouble("Another page has begun a take since, and the kernel no longer has this one.");
    if (state.pieces < takes.pieces(mine)) return ["piece", state.pieces + 1, takes.piece(mine, state.pieces), mine.token];
    if (mine.ended && !state.ended) return ["end", 0, "", mine.token];
    return mine.wanted ? [mine.wanted, 0, "", mine.token] : null;
  }

  async function post() {
    if (posting || stuck) return;
    posting = true;
    try {
      for (let next = due(); next && root.isConnected && !stuck; next = due()) {
        const [kind, , , token] = next, answer = await hand(next);
        if (!answer) break;
        if (kind === "again") farewell = "";
        else if (!take() || take().token !== token) continue; // given up meanwhile
        else if (answer.error) trouble(`${upper(answer.error.replace(/^\w+: /, ""))} ${take().chunks ? "The take is still in this page." : "The kernel still has the take."}`);
        else if (answer.token !== token) continue; // another page has begun a take since, so Python has not heard this
        else if (kind === "keep") kept(answer.said);
      }
    } finally {
      posting = false;
      changed();
    }
  }

  // Give Python one message and wait for the answer to it; null if this box is gone or the message was given up.
  async function hand([kind, place, content, token], most_ms = Infinity) {
    const until = Date.now() + most_ms;
    while (!inbox || !inbox.button.isConnected) {
      if (!root.isConnected || Date.now() > until) return null;
      const button = find("inbox");
      inbox = button && window.vocompInbox(button);
      if (!inbox) await wait(100);
    }
    const asked = String(Math.floor(1 + Math.random() * 999999998)), since = Date.now();
    inbox.give(`${kind}-${place}-${id}-${token}-${asked}`, content);
    try {
      while (root.isConnected) {
        read();
        if (state && state.answered === asked) return state;
        const waited = Date.now() - since;
        if (take() && take().ended && waited > GONE_MS) {
          return trouble(take().chunks ? "The kernel isn't answering, but the take is still in this page: hand it over again later, run this cell again, or save it from here." :
            "The kernel isn't answering, and only the kernel has this take: try again later.");
        }
        if (Date.now() > until) return null;
        if (waited > BUSY_MS && take()) note(`The kernel isn't answering yet, because it is busy or gone: ${take().chunks ? "the take stays in this page until it does." : "only the kernel has this take."}`);
        await wait(40);
      }
      return null;
    } finally {
      if (!stuck) note("");
    }
  }

  // A question beside the take's messages, in its turn.
  async function ask(kind) {
    while (posting) await wait(40);
    posting = true;
    try {
      const answer = await hand([kind, 0, "", take() ? take().token : "0"], GONE_MS);
      if (answer && answer.error) throw new Error(answer.error);
      return answer;
    } finally {
      posting = false;
      post();
    }
  }

  // A sound that Python puts into a hidden element when it is asked: as many bytes as its answer says.
  async function fetched(kind, part, context) {
    const answer = await ask(kind), sent = answer && answer[part];
    for (let tries = 0; sent && tries < 200; tries++) {
      const element = find(part);
      if (element && element.src) {
        try {
          const bytes = await (await fetch(element.src)).arrayBuffer();
          if (bytes.byteLength === sent.bytes) return await context.decodeAudioData(bytes);
        } catch (error) { /* the element was just given another sound; look again */ }
      }
      await wait(50);
    }
    throw new Error("the sound did not arrive");
  }

  function trouble(text) {
    stuck = true;
    if (take()) take().wanted = "";
    failed();
    note(text);
    changed();
    return null;
  }

  return {
    read, post, known, state: () => state, posting: () => posting, stuck: () => stuck,
    band: (context) => fetched("band", "band", context),
    sound: (context) => fetched("hear", "sound", context),
    free() { stuck = false; note(""); },
    // Python may forget a take that it has.
    forget(token) { if (state && state.token === token) farewell = token; },
    saysFarewell: () => Boolean(farewell),
  };
});

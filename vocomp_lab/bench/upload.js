// Lets you drop a sound file on a box in the page, and sends large files in pieces: a server closes the connection on a message
// of more than 10 MB. Both go through the upload button's own hidden input (pieces.js), so Python sees ordinary uploads.
(function (root, id) {
  "use strict";
  if (!root || root.dataset.wired) return;
  root.dataset.wired = "1";
  const PIECE_BYTES = 4 << 20, MOST_BYTES = 512 << 20, PATIENCE_S = 60;
  const note = root.querySelector("[data-part=note]");
  const find = (part) => document.querySelector(`.vocomp-${id}-${part}`);
  const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
  let inbox = null, sending = null, progress = "", aside = "";
  const show = () => { note.textContent = [progress, aside].filter(Boolean).join(" "); };
  const say = (text) => { progress = text; show(); };
  const mention = (text) => { aside = text; show(); };
  const tooEarly = (name) => mention(`${name} was not taken, because ${sending} is still being sent: drop it again afterwards.`);

  // A file that the student has chosen: large ones go in pieces, small ones as they are.
  function watch({ input, giving }) {
    input.addEventListener("change", (event) => {
      const file = input.files && input.files[0];
      if (giving() || !file) return;
      if (sending === null) mention("");
      if (sending === null && file.size <= PIECE_BYTES) return;
      event.stopImmediatePropagation();
      if (sending === null) send(file); else tooEarly(file.name);
    }, true);
  }

  // The button counts the files that Python still holds, which is none as soon as one has been taken.
  function uncount(button) {
    const plain = () => {
      const named = [...button.childNodes].find((node) => / \(0\)$/.test(node.textContent));
      if (named) named.textContent = named.textContent.replace(/ \(0\)$/, "");
    };
    plain();
    new MutationObserver(plain).observe(button, { childList: true, characterData: true, subtree: true });
  }

  async function send(file) {
    if (file.size > MOST_BYTES) {
      say(`${file.name} has ${Math.round(file.size / 1e6)} MB, which is too large for the page: put it beside the notebook and type its name.`);
      return;
    }
    const token = Math.random().toString(16).slice(2, 12), count = Math.max(1, Math.ceil(file.size / PIECE_BYTES));
    sending = file.name;
    try {
      for (let n = 1; n <= count; n++) {
        say(`Sending ${file.name}: ${Math.round(100 * (n - 1) / count)} %.`);
        inbox.give(`piece-${n}-of-${count}-${id}-${token}-${file.name}`, file.slice((n - 1) * PIECE_BYTES, n * PIECE_BYTES));
        const deadline = Date.now() + 1000 * PATIENCE_S;
        while (!(find("received") && find("received").textContent.includes(`${token}:${n};`))) {
          // Python says in the page why.
          if (find("received") && find("received").textContent.includes(`${token}:refused;`)) return say("");
          if (Date.now() > deadline) throw new Error("no answer");
          await wait(40);
        }
      }
      say("");
    } catch (error) {
      say(`${file.name} did not arrive: the kernel may be busy or gone. Run the cell again.`);
    } finally {
      sending = null;
    }
  }

  root.addEventListener("dragover", (event) => { event.preventDefault(); root.dataset.over = "1"; });
  root.addEventListener("dragleave", () => { delete root.dataset.over; });
  root.addEventListener("drop", (event) => {
    event.preventDefault();
    event.stopPropagation();
    delete root.dataset.over;
    const files = event.dataTransfer.files, file = files[0], item = event.dataTransfer.items[0];
    const entry = item && item.webkitGetAsEntry && item.webkitGetAsEntry();
    if (sending !== null) return tooEarly(file ? file.name : "What was dropped");
    mention(files.length > 1 ? `Only the first of ${files.length} files was taken, ${file.name}.` : "");
    if (!file || (entry && entry.isDirectory)) say("That is not a file: drop one sound file.");
    else if (!inbox) say(`The button below is not ready: wait a moment, and drop ${file.name} again.`);
    else send(file);
  });

  (async () => {
    for (let tries = 0; tries < 600 && !inbox && root.isConnected; tries++) {
      const button = find("upload");
      if (button && (inbox = window.vocompInbox(button))) {
        watch(inbox);
        uncount(button);
      }
      else await wait(100);
    }
    if (inbox) root.dataset.ready = "1";
  })();
})(document.getElementById("vocomp-drop-__ID__"), "__ID__");

// Lets a sound file be dropped on a page's box, and sends large files in pieces: a server closes the line on a message of more
// than 10 MB. Both go through the upload button's own hidden input, so that Python sees uploads and nothing else.
(function (root, id) {
  "use strict";
  if (!root || root.dataset.wired) return;
  root.dataset.wired = "1";
  const PIECE_BYTES = 4 << 20, MOST_BYTES = 512 << 20, PATIENCE_S = 60;
  const note = root.querySelector("[data-part=note]");
  const find = (part) => document.querySelector(`.vocomp-${id}-${part}`);
  const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
  let input = null, sending = false;

  // The button opens an input that is no part of the page: it is caught at the click which would open it.
  function catchInput(button) {
    const click = HTMLInputElement.prototype.click;
    HTMLInputElement.prototype.click = function () { input = this; };
    try { button.click(); } finally { HTMLInputElement.prototype.click = click; }
    if (!input) return;
    input.addEventListener("change", (event) => {
      const file = input.files && input.files[0];
      if (sending || !file || file.size <= PIECE_BYTES) return;
      event.stopImmediatePropagation();
      send(file);
    }, true);
  }

  async function send(file) {
    if (!input || sending) return;
    if (file.size > MOST_BYTES) {
      note.textContent = `${file.name} has ${Math.round(file.size / 1e6)} MB, which is too much for the page: put it beside the notebook and give its name.`;
      return;
    }
    const token = Math.random().toString(16).slice(2, 12), count = Math.max(1, Math.ceil(file.size / PIECE_BYTES));
    sending = true;
    try {
      for (let n = 1; n <= count; n++) {
        note.textContent = `Sending ${file.name}: ${Math.round(100 * (n - 1) / count)} %`;
        const part = file.slice((n - 1) * PIECE_BYTES, n * PIECE_BYTES);
        const box = new DataTransfer();
        box.items.add(new File([part], `piece-${n}-of-${count}-${token}-${file.name}`));
        input.files = box.files;
        input.dispatchEvent(new Event("change"));
        const deadline = Date.now() + 1000 * PATIENCE_S;
        while (!(find("received") && find("received").textContent.includes(`${token}:${n};`))) {
          if (Date.now() > deadline) throw new Error("no answer");
          await wait(40);
        }
      }
      note.textContent = "";
    } catch (error) {
      note.textContent = `${file.name} did not arrive: is the kernel busy or gone? Run the cell again.`;
    } finally {
      sending = false;
    }
  }

  root.addEventListener("dragover", (event) => { event.preventDefault(); root.dataset.over = "1"; });
  root.addEventListener("dragleave", () => { delete root.dataset.over; });
  root.addEventListener("drop", (event) => {
    event.preventDefault();
    event.stopPropagation();
    delete root.dataset.over;
    const file = event.dataTransfer.files[0];
    if (file) send(file);
  });

  (async () => {
    for (let tries = 0; tries < 600 && !input && root.isConnected; tries++) {
      const button = find("upload");
      if (button) catchInput(button);
      await wait(100);
    }
    if (input) root.dataset.ready = "1";
  })();
})(document.getElementById("vocomp-drop-__ID__"), "__ID__");

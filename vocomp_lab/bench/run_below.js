// A button with data-vocomp-run-below runs the cell that it stands in, and all below. JupyterLab's own command for that asks first
// whether code that may do anything is to be run, which frightens; so this presses Shift+Enter for one cell after the other.
window.vocompRunBelow = window.vocompRunBelow || (() => {
  "use strict";
  const key = (node, name, code, held) => node.dispatchEvent(
    new KeyboardEvent("keydown", { key: name, code: name, keyCode: code, which: code, bubbles: true, cancelable: true, ...held }));
  const frame = () => new Promise(requestAnimationFrame);
  const active = (cell) => cell.classList.contains("jp-mod-active");
  async function until(holds) {
    for (let frames = 0; frames < 240 && !holds(); frames++) await frame();
    return holds();
  }
  async function runBelow(notebook, first) {
    const cells = [...notebook.querySelectorAll(".jp-Cell")];
    for (let place = cells.indexOf(first); place < cells.length; place++) {
      const cell = cells[place], last = place === cells.length - 1;
      if (!await until(() => active(cell))) return;
      if (notebook.classList.contains("jp-mod-editMode")) key(document.activeElement, "Escape", 27, {});
      cell.focus();
      // Shift+Enter in the last cell would add another one below it.
      key(cell, "Enter", 13, last ? { ctrlKey: true } : { shiftKey: true });
    }
  }
  document.addEventListener("click", ({ target }) => {
    const button = target.closest?.("[data-vocomp-run-below]");
    const notebook = button?.closest(".jp-Notebook"), cell = button?.closest(".jp-Cell");
    if (notebook && cell) runBelow(notebook, cell);
  });
  return true;
})();

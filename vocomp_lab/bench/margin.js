// A click in the margin of a cell lets go of the control that was moved last. JupyterLab chooses the cell but leaves the focus where
// it is, and then Shift+Enter goes to a slider instead of running the cell. And a click in the margin of a folded cell chooses it,
// so that it can be run, but doesn't unfold it; a click on its line does.
window.vocompMargin = window.vocompMargin || (() => {
  "use strict";
  document.addEventListener("mousedown", ({ target }) => {
    const focused = document.activeElement;
    if (target.closest?.(".jp-Notebook .jp-InputPrompt, .jp-Notebook .jp-OutputPrompt") && focused?.closest(".jp-OutputArea")) focused.blur();
  }, true);
  document.addEventListener("click", (event) => {
    if (event.target.closest?.(".jp-Notebook .jp-Placeholder-prompt")) event.stopPropagation();
  }, true);
  return true;
})();

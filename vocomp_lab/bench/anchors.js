// A link to a heading of another notebook leads there at the first click, too. JupyterLab opens the notebook, but looks for the heading
// before its cells are drawn, and stays at the top.
window.vocompAnchors = window.vocompAnchors || (() => {
  "use strict";
  const wait = (ms) => new Promise((resolve) => setTimeout(resolve, ms));
  const inSight = () => document.querySelector(".jp-NotebookPanel:not(.lm-mod-hidden)");
  let turn = 0;
  // Whoever scrolls or goes on meanwhile is left alone.
  for (const kind of ["wheel", "pointerdown", "keydown"]) document.addEventListener(kind, () => { turn++; }, true);
  async function lead(from, name) {
    const mine = turn;
    for (let tries = 0, held = 0; tries < 150 && held < 4; tries++) {
      await wait(200);
      if (turn !== mine) return;
      const panel = inSight();
      const heading = panel && panel !== from && [...panel.querySelectorAll("[data-jupyter-id]")].find((one) => one.dataset.jupyterId === name);
      if (!heading || panel.querySelector(".jp-Spinner")) continue;
      // What lies above it may still grow.
      const top = heading.getBoundingClientRect().top - panel.getBoundingClientRect().top;
      if (top < 0 || top > 200) heading.scrollIntoView(); else held++;
    }
  }
  document.addEventListener("click", ({ target }) => {
    const link = target.closest?.(".jp-Notebook a[href*='.ipynb'][href*='#']");
    if (!link) return;
    const name = decodeURIComponent(link.getAttribute("href").split("#").pop());
    lead(link.closest(".jp-NotebookPanel"), name);
  }, true);
  return true;
})();

// Names and values for screen readers, of what ipywidgets draws without them.
window.vocompNaming = window.vocompNaming || (() => {
  "use strict";
  const setOnce = (element, name, text) => { if (element.getAttribute(name) !== text) element.setAttribute(name, text); };

  // What a screen reader says about a slider: its name, and its value with the unit. The slider itself would say the number of its
  // stop. A readout beside it has the stop's text at once; a typed value is there only after Python has answered. `moved` hears of
  // every new stop.
  function nameSlider(handle, label, unit, typedBox, moved) {
    setOnce(handle, "aria-label", label);
    const slider = handle.closest(".widget-slider, .jupyter-widgets"), readout = slider && slider.querySelector(".widget-readout");
    const say = (text) => setOnce(handle, "aria-valuetext", unit && /[\d∞]/.test(text) ? `${text} ${unit}` : text);
    if (!handle.dataset.named) {
      handle.dataset.named = "1";
      new MutationObserver(() => {
        const now = handle.getAttribute("aria-valuenow");
        if (now === handle.dataset.now) return;
        handle.dataset.now = now;
        if (readout) say(readout.textContent);
        moved(Math.round(Number(now)));
      }).observe(handle, { attributes: true, attributeFilter: ["aria-valuenow", "aria-valuetext"] });
      if (readout) say(readout.textContent);
      handle.dataset.now = handle.getAttribute("aria-valuenow");
    }
    if (typedBox && typedBox.value !== handle.dataset.typed && document.activeElement !== typedBox) {
      handle.dataset.typed = typedBox.value;
      say(typedBox.value);
    }
  }

  // The stretch in sight: a slider with two handles, and the two numbers beside it, which can be typed over.
  function nameView(slider) {
    for (const [place, handle] of slider.querySelectorAll(".noUi-handle").entries()) {
      setOnce(handle, "aria-label", ["In sight: start (s)", "In sight: end (s)"][place]);
      setOnce(handle, "aria-valuetext", Number(handle.getAttribute("aria-valuenow")).toFixed(1) + " s");
    }
    const readout = slider.querySelector(".widget-readout");
    if (readout) { setOnce(readout, "role", "textbox"); setOnce(readout, "aria-label", "In sight: start and end (s), typed"); }
  }

  // The controls of a bench, whose parts `find` finds. `moved` hears of every new place of a slider or menu, with its field.
  function nameControls(find, { labels, units }, moved) {
    for (const [field, label] of Object.entries(labels)) {
      const typed = find("typed-" + field), typedBox = typed && typed.querySelector("input");
      if (typedBox) setOnce(typedBox, "aria-label", label + ", typed");
      const slider = find("slider-" + field), handle = slider && slider.querySelector(".noUi-handle");
      if (handle) nameSlider(handle, label, (units || {})[field], typedBox, (stop) => moved(field, stop));
      const menu = find("menu-" + field), select = menu && menu.querySelector("select");
      if (select && !select.dataset.wired) {
        select.dataset.wired = "1";
        select.addEventListener("change", () => moved(field, select.selectedIndex));
      }
    }
  }

  function nameBench(around, view) {
    if (view) nameView(view);
    for (const toggle of around.querySelectorAll("button.widget-toggle-button")) setOnce(toggle, "aria-pressed", String(toggle.classList.contains("mod-active")));
    // JupyterLab would use arrow keys and letters itself, unless the focused element says no.
    for (const part of around.querySelectorAll("select,button,input,[tabindex]")) setOnce(part, "data-lm-suppress-shortcuts", "true");
  }

  return { setOnce, nameControls, nameBench };
})();

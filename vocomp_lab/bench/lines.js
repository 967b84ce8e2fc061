// Hidden lines of text between Python and the page. One for each player; `find` finds their widgets, `read` is called as soon as one
// of those that were asked for has changed.
window.vocompLines = window.vocompLines || ((find, read) => {
  "use strict";
  const last = {};
  return {
    // What a line says, if that is something else than before; null otherwise.
    changed(part) {
      const holder = find(part), text = holder ? holder.textContent.trim() : "";
      if (holder && !holder.dataset.wired) {
        holder.dataset.wired = "1";
        new MutationObserver(read).observe(holder, { childList: true, characterData: true, subtree: true });
      }
      if (!text || text === last[part]) return null;
      try { return JSON.parse(text); } catch (error) { return null; } finally { last[part] = text; }
    },
    // Write into a line that Python reads.
    tell(part, text) {
      const holder = find(part), area = holder && holder.querySelector("textarea");
      if (!area || area.value === text) return;
      area.value = text;
      area.dispatchEvent(new Event("input", { bubbles: true }));
      area.dispatchEvent(new Event("change", { bubbles: true }));
    },
  };
});

// How the page's scripts hand files to Python: through the hidden input of an upload button, so that Python sees ordinary uploads.
window.vocompInbox = window.vocompInbox || ((button) => {
  "use strict";
  // The button opens an input that is not part of the page. It is caught at the click that would open it.
  const click = HTMLInputElement.prototype.click;
  let input = null, giving = false;
  HTMLInputElement.prototype.click = function () { input = this; };
  try { button.click(); } finally { HTMLInputElement.prototype.click = click; }
  return input && {
    input, button,
    giving: () => giving,
    give(name, content) {
      const box = new DataTransfer();
      box.items.add(new File([content], name));
      input.files = box.files;
      giving = true;
      try { input.dispatchEvent(new Event("change")); } finally { giving = false; }
    },
  };
});

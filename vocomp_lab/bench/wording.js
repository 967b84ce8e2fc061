// Numbers, lists and sentences as a recorder's box words them, and text that is put into the page only where it changes.
window.vocompWording = window.vocompWording || (() => {
  "use strict";
  return {
    number: (value, digits) => value.toFixed(digits).replace("-", "−"),
    list: (words) => (words.length > 1 ? `${words.slice(0, -1).join(", ")} and ${words.at(-1)}` : words[0]),
    upper: (text) => text.replace(/^./, (letter) => letter.toUpperCase()),
    write: (part, text) => { if (part.textContent !== text) part.textContent = text; },
  };
})();

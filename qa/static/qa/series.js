"use strict";
// The table of stages by keyboard: j and k or the arrows go from stage to stage. Links stay links.
(function () {
  function step(key) {
    if (key === "j" || key === "ArrowDown") {
      return 1;
    }
    return key === "k" || key === "ArrowUp" ? -1 : 0;
  }

  document.addEventListener("keydown", (event) => {
    const table = document.getElementById("stages");
    const by = step(event.key);
    if (!table || !by || event.ctrlKey || event.metaKey || event.altKey) {
      return;
    }
    const region = table.closest("[tabindex]");
    if (!region || !region.contains(document.activeElement)) {
      return;
    }
    const links = Array.from(table.querySelectorAll("tbody th a"));
    const here = links.indexOf(document.activeElement);
    const next = here < 0 ? (by > 0 ? 0 : links.length - 1) : here + by;
    if (links[next]) {
      event.preventDefault();
      links[next].focus();
    }
  });
})();

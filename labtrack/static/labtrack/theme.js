"use strict";
// Runs before the page is drawn, so a chosen theme never flashes the other one.
(function () {
  let chosen = null;
  try {
    chosen = window.localStorage.getItem("theme");
  } catch (error) {
    chosen = null; // storage is off: the system's own theme is used
  }
  if (chosen === "dark" || chosen === "light") {
    document.documentElement.dataset.theme = chosen;
  }
})();

"use strict";
// Bench pages: a scanner types marks and ends with Enter; boxes are ticked by the group.
(function () {
  // Marks typed outside any field go to the mark box, so a scan works wherever the cursor is.
  function setUpScanBox() {
    const box = document.querySelector("[data-scan]");
    if (!box) {
      return;
    }
    document.addEventListener("keydown", (event) => {
      const inField = event.target.closest("input, select, textarea, button, a, summary, [contenteditable]");
      if (!inField && event.key.length === 1 && !event.ctrlKey && !event.metaKey && !event.altKey) {
        box.focus();
        box.select();
      }
    });
    if (document.activeElement === box) {
      box.select();
    }
  }

  // In a list of marks the scanner's Enter parts two marks instead of sending the form.
  function setUpScanLists() {
    document.querySelectorAll("[data-scan-list]").forEach((box) => {
      box.addEventListener("keydown", (event) => {
        if (event.key === "Enter" && !event.ctrlKey) {
          event.preventDefault();
          box.value = box.value.trimEnd() + " ";
        }
      });
    });
  }

  function setUpTicks() {
    document.querySelectorAll("[data-tick-group]").forEach((group) => {
      const all = group.querySelector("[data-tick-all]");
      const boxes = () => Array.from(group.querySelectorAll("input[type=checkbox]:not([data-tick-all])"));
      const show = () => {
        const ticked = boxes().filter((box) => box.checked).length;
        all.checked = ticked > 0 && ticked === boxes().length;
        all.indeterminate = ticked > 0 && !all.checked;
      };
      all.addEventListener("change", () => {
        boxes().forEach((box) => {
          box.checked = all.checked;
        });
        show();
      });
      group.addEventListener("change", show);
      show();
    });
  }

  // One tap for the usual end of a build; whoever differs is changed by hand.
  function setUpOutcomes() {
    document.querySelectorAll("[data-all-outcomes]").forEach((button) => {
      button.hidden = false;
      button.addEventListener("click", () => {
        const value = button.dataset.allOutcomes;
        const form = button.closest("form");
        form.querySelectorAll(`input[data-outcome="${value}"]`).forEach((radio) => {
          const chosen = form.querySelector(`input[name="${radio.name}"]:checked`);
          if (!chosen) {
            radio.checked = true;
          }
        });
      });
    });
  }

  document.addEventListener("DOMContentLoaded", () => {
    setUpScanBox();
    setUpScanLists();
    setUpTicks();
    setUpOutcomes();
  });
})();

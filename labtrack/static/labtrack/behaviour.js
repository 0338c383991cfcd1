"use strict";
// Small behaviours that every page shares. Pages work without them.
(function () {
  const root = document.documentElement;

  function isDark() {
    if (root.dataset.theme) {
      return root.dataset.theme === "dark";
    }
    return window.matchMedia("(prefers-color-scheme: dark)").matches;
  }

  function announceTheme() {
    document.dispatchEvent(new CustomEvent("themechange"));
  }

  function setUpThemeToggle() {
    const toggle = document.querySelector("[data-theme-toggle]");
    if (!toggle) {
      return;
    }
    const label = () => {
      toggle.textContent = isDark() ? "Light page" : "Dark page";
    };
    toggle.hidden = false;
    label();
    toggle.addEventListener("click", () => {
      root.dataset.theme = isDark() ? "light" : "dark";
      try {
        window.localStorage.setItem("theme", root.dataset.theme);
      } catch (error) {
        // Storage is off: the choice lasts for this page.
      }
      label();
      announceTheme();
    });
  }

  // A second tap on a form that is on its way changes nothing: the key makes it harmless, this makes it plain.
  function setUpSubmitOnce() {
    document.addEventListener("submit", (event) => {
      const form = event.target;
      if (event.defaultPrevented || form.method !== "post" || form.hasAttribute("hx-post")) {
        return;
      }
      if (form.dataset.sent) {
        event.preventDefault();
        return;
      }
      form.dataset.sent = "yes";
      window.setTimeout(() => {
        delete form.dataset.sent;
      }, 4000);
    });
    window.addEventListener("pageshow", () => {
      document.querySelectorAll("form[data-sent]").forEach((form) => delete form.dataset.sent);
    });
  }

  // Read-once secrets and long values: a button that copies the text of the element it names.
  function setUpCopy() {
    document.querySelectorAll("[data-copy]").forEach((button) => {
      if (!navigator.clipboard) {
        return;
      }
      button.hidden = false;
      button.addEventListener("click", () => {
        const source = document.getElementById(button.dataset.copy);
        navigator.clipboard.writeText(source.textContent.trim()).then(() => {
          button.textContent = "Copied";
        });
      });
    });
  }

  // The menu under the operator's name closes by Escape and by a tap elsewhere.
  function setUpMenu() {
    const menu = document.querySelector("details.who");
    if (!menu) {
      return;
    }
    document.addEventListener("keydown", (event) => {
      if (event.key === "Escape" && menu.open) {
        menu.open = false;
        menu.querySelector("summary").focus();
      }
    });
    document.addEventListener("click", (event) => {
      if (menu.open && !menu.contains(event.target)) {
        menu.open = false;
      }
    });
  }

  // A link to something folded opens it.
  function unfold(hash) {
    const target = hash.length > 1 && document.getElementById(decodeURIComponent(hash.slice(1)));
    if (target instanceof HTMLDetailsElement) {
      target.open = true;
    }
  }

  function setUpFolds() {
    unfold(window.location.hash);
    document.addEventListener("click", (event) => {
      const link = event.target.closest('a[href^="#"]');
      if (link) {
        unfold(link.getAttribute("href"));
      }
    });
  }

  function focusProblem(scope) {
    const problem = scope.querySelector("[data-focus]");
    if (problem) {
      problem.focus();
    }
  }

  // Filters apply as they are changed; without scripts their button does it.
  function setUpFilters() {
    document.addEventListener("change", (event) => {
      const form = event.target.closest("form.filters[data-live]");
      if (form && !form.hasAttribute("hx-get")) {
        form.requestSubmit();
      }
    });
  }

  // A field marked with kinds is shown with those kinds of the form's own choice; without scripts, always.
  function setUpAskedFor() {
    document.querySelectorAll("form").forEach((form) => {
      const kind = form.elements.namedItem("kind");
      const marked = Array.from(form.querySelectorAll("[data-asked-for]"));
      if (!kind || marked.length === 0) {
        return;
      }
      const show = () => {
        marked.forEach((box) => {
          const asked = box.dataset.askedFor.split(" ").includes(kind.value);
          box.closest(".field").hidden = !asked && !box.value;
        });
      };
      kind.addEventListener("change", show);
      show();
    });
  }

  document.addEventListener("DOMContentLoaded", () => {
    setUpThemeToggle();
    setUpAskedFor();
    setUpSubmitOnce();
    setUpCopy();
    setUpMenu();
    setUpFilters();
    setUpFolds();
    focusProblem(document);
    window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", announceTheme);
    document.body.addEventListener("htmx:afterSwap", (event) => focusProblem(event.target));
  });
})();

"use strict";
// The inspection form: more rows for defects, hints of their kinds, and the drawing of the teeth.
(function () {
  const rows = document.getElementById("defect-rows");
  if (!rows) {
    return;
  }
  const prefix = rows.dataset.prefix;
  const total = document.getElementById(`id_${prefix}-TOTAL_FORMS`);
  const most = Number(document.getElementById(`id_${prefix}-MAX_NUM_FORMS`).value);
  const hints = JSON.parse(document.getElementById("kind-hints").textContent);
  const chart = document.getElementById("tooth-chart");
  const chosen = document.getElementById("tooth-chosen");
  const add = document.getElementById("add-defect");
  let active = rows.querySelector(".defect-row");

  function toothList(row) {
    return row.querySelector("select[name$='-tooth']");
  }

  function showHint(row) {
    const kind = row.querySelector("select[name$='-kind']").value;
    const hint = hints[kind];
    row.querySelector(".kind-hint").textContent = hint ? `Usually from ${hint.origin.toLowerCase()}. ${hint.hint}` : "";
  }

  function showTooth() {
    const value = active ? toothList(active).value : "";
    let words = "";
    chart.querySelectorAll(".tooth").forEach((tooth) => {
      const pressed = value !== "" && tooth.dataset.tooth === value;
      tooth.setAttribute("aria-pressed", String(pressed));
      if (pressed) {
        words = tooth.getAttribute("aria-label");
      }
    });
    const number = Array.from(rows.querySelectorAll(".defect-row")).indexOf(active) + 1;
    chosen.textContent = words ? `Defect ${number}: tooth ${words}` : `Defect ${number}: no tooth chosen`;
  }

  function choose(tooth) {
    const list = toothList(active);
    list.value = list.value === tooth.dataset.tooth ? "" : tooth.dataset.tooth;
    showTooth();
  }

  function number() {
    rows.querySelectorAll(".defect-row > legend").forEach((legend, index) => {
      legend.textContent = `Defect ${index + 1}`;
    });
  }

  function addRow() {
    const index = Number(total.value);
    if (index >= most) {
      return;
    }
    const holder = document.createElement("div");
    holder.innerHTML = document.getElementById("defect-template").innerHTML.replaceAll("__prefix__", String(index));
    const row = holder.querySelector(".defect-row");
    add.parentElement.before(row);
    total.value = String(index + 1);
    add.hidden = index + 1 >= most;
    number();
    row.querySelector("select").focus();
  }

  rows.addEventListener("change", (event) => {
    const row = event.target.closest(".defect-row");
    if (row) {
      showHint(row);
      showTooth();
    }
  });
  rows.addEventListener("focusin", (event) => {
    const row = event.target.closest(".defect-row");
    if (row && row !== active) {
      active = row;
      showTooth();
    }
  });
  chart.addEventListener("click", (event) => {
    const tooth = event.target.closest(".tooth");
    if (tooth) {
      choose(tooth);
    }
  });
  chart.addEventListener("keydown", (event) => {
    const tooth = event.target.closest(".tooth");
    if (tooth && (event.key === "Enter" || event.key === " ")) {
      event.preventDefault();
      choose(tooth);
    }
  });
  add.addEventListener("click", addRow);
  add.hidden = Number(total.value) >= most;
  chart.hidden = false;
  rows.querySelectorAll(".defect-row").forEach(showHint);
  number();
  showTooth();
})();

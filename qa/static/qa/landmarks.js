"use strict";
// Marking landmarks on a design: a click on the shape adds a line to the list; the list is what is sent.
(function () {
  const HEAD = "name,x_mm,y_mm,z_mm";
  const SPAN_HEAD = "distance,from,to";
  const STILL_PX = 4;
  const FRAME_MS = 80;
  const list = document.getElementById("id_text");
  const nameField = document.getElementById("pick-name");
  const note = document.getElementById("pick-note");
  const spanFrom = document.getElementById("span-from");
  const spanTo = document.getElementById("span-to");
  const spanName = document.getElementById("span-name");
  const spanAdd = document.getElementById("span-add");
  let plot = null;

  function token(name) {
    return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  }

  // A name that holds a comma or a quote is quoted, as CSV wants it.
  function cell(text) {
    return /[",]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text;
  }

  function cells(line) {
    const found = line.match(/"(?:[^"]|"")*"|[^,]+/g) || [];
    return found.map((one) => one.trim().replace(/^"|"$/g, "").replaceAll('""', '"'));
  }

  function parts() {
    const lines = (list ? list.value : "").split(/\r?\n/).filter((line) => line.trim());
    const split = lines.findIndex((line) => line.replace(/\s/g, "").toLowerCase().startsWith(SPAN_HEAD));
    const marks = (split < 0 ? lines : lines.slice(0, split)).filter((line) => !line.toLowerCase().startsWith("name,"));
    return { marks, spans: split < 0 ? [] : lines.slice(split + 1) };
  }

  function write(marks, spans) {
    list.value = [HEAD, ...marks, SPAN_HEAD, ...spans].join("\n") + "\n";
    refresh();
  }

  function landmarks() {
    if (!list) {
      return JSON.parse(document.getElementById("landmarks-now").textContent).map((one) => ({ name: one.name, at: one.at_mm }));
    }
    return parts()
      .marks.map(cells)
      .map((row) => ({ name: row[0], at: row.slice(1, 4).map(Number) }))
      .filter((mark) => mark.name && mark.at.length === 3 && mark.at.every(Number.isFinite));
  }

  function options(select, names) {
    const chosen = select.value;
    select.replaceChildren(...names.map((name) => new Option(name, name, false, name === chosen)));
  }

  function draw() {
    if (!plot || !window.Plotly) {
      return;
    }
    const old = plot.data.map((trace, index) => (trace.name === "landmarks" ? index : -1)).filter((index) => index >= 0);
    const marks = landmarks();
    const trace = {
      type: "scatter3d",
      mode: "markers+text",
      name: "landmarks",
      showlegend: false,
      x: marks.map((mark) => mark.at[0]),
      y: marks.map((mark) => mark.at[1]),
      z: marks.map((mark) => mark.at[2]),
      text: marks.map((mark) => mark.name),
      textposition: "top center",
      textfont: { color: token("--ink"), size: 13 },
      marker: { size: 6, color: token("--accent"), symbol: "diamond", line: { color: token("--paper"), width: 1 } },
      hoverinfo: "text",
    };
    const removed = old.length ? window.Plotly.deleteTraces(plot, old) : Promise.resolve();
    removed.then(() => (marks.length ? window.Plotly.addTraces(plot, [trace]) : null));
  }

  function refresh() {
    if (spanFrom) {
      const names = landmarks().map((mark) => mark.name);
      options(spanFrom, names);
      options(spanTo, names);
      if (spanTo.value === spanFrom.value && names.length > 1) {
        spanTo.selectedIndex = (spanFrom.selectedIndex + 1) % names.length;
      }
    }
    draw();
  }

  // A press that turns the shape is no click: the picture tells only what lies under the pointer.
  function watch() {
    let under = null;
    let pressed = null;
    const keep = (event) => {
      under = event.points[0] || null;
    };
    plot.on("plotly_hover", keep);
    plot.on("plotly_click", keep);
    plot.on("plotly_unhover", () => {
      under = null;
    });
    plot.addEventListener("pointerdown", (event) => {
      pressed = [event.clientX, event.clientY];
    }, true);
    plot.addEventListener("pointerup", (event) => {
      const still = pressed && Math.hypot(event.clientX - pressed[0], event.clientY - pressed[1]) < STILL_PX;
      pressed = null;
      if (still) {
        // A finger meets the shape only with the frame drawn after its press.
        window.setTimeout(() => pick(under), FRAME_MS);
      }
    }, true);
  }

  function pick(point) {
    if (!list || !point || point.data.name === "landmarks") {
      return;
    }
    const name = nameField.value.trim();
    if (!name) {
      note.textContent = "Name the landmark first, then click its place.";
      nameField.focus();
      return;
    }
    const { marks, spans } = parts();
    const kept = marks.filter((line) => cells(line)[0] !== name);
    const at = [point.x, point.y, point.z].map((value) => value.toFixed(3));
    write([...kept, [cell(name), ...at].join(",")], spans);
    note.textContent = `${name} is at ${at.join(", ")} mm. Save the list when all are marked.`;
    nameField.value = "";
    nameField.focus();
  }

  function addSpan() {
    const name = spanName.value.trim();
    if (!name || !spanFrom.value || !spanTo.value || spanFrom.value === spanTo.value) {
      spanName.focus();
      return;
    }
    const { marks, spans } = parts();
    write(marks, [...spans, [name, spanFrom.value, spanTo.value].map(cell).join(",")]);
  }

  document.addEventListener("viewerdrawn", (event) => {
    const first = plot !== event.target;
    plot = event.target;
    if (first) {
      watch();
    }
    draw();
  });
  if (list) {
    list.addEventListener("change", refresh);
    spanAdd.addEventListener("click", addSpan);
  }
  refresh();
})();

"use strict";
// Draws each .viewer from the compact preview that its data-preview-url gives (format FLM1: a mark,
// the length of a JSON header, the header, float32 points, int32 triangles, float32 values or none).
(function () {
  const MARK = "FLM1";
  const DISTANCE = 2;
  const TURN_DEG = 45;
  // Straight down leaves open which way is up; a little short of it keeps the front below.
  const TOP_DEG = 89.5;
  const CONFIG = { displaylogo: false, displayModeBar: false, responsive: true };
  const FILL = 1.3;
  // Over the reader's left shoulder: plotly counts from the eye, with z away from the picture negative.
  const LAMP = { x: -40000, y: 80000, z: -100000 };
  // The two limits are off: plotly would take the small triangles of a scan for flat noise and leave them dark.
  const LIGHTING = {
    ambient: 0.4,
    diffuse: 0.6,
    specular: 0.08,
    roughness: 0.8,
    fresnel: 0.05,
    facenormalsepsilon: 0,
    vertexnormalsepsilon: 0,
  };

  function token(name) {
    return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  }

  function element(tag, className, text) {
    const made = document.createElement(tag);
    made.className = className;
    if (text) {
      made.textContent = text;
    }
    return made;
  }

  function canDraw() {
    try {
      const canvas = document.createElement("canvas");
      return Boolean(window.Plotly && canvas.getContext("webgl"));
    } catch (error) {
      return false;
    }
  }

  function decode(buffer) {
    const mark = String.fromCharCode(...new Uint8Array(buffer, 0, 4));
    if (mark !== MARK) {
      throw new Error("not a preview");
    }
    const length = new DataView(buffer).getUint32(4, true);
    const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 8, length)));
    let start = 8 + length;
    const points = new Float32Array(buffer, start, header.vertices * 3);
    start += points.byteLength;
    const faces = new Int32Array(buffer, start, header.faces * 3);
    start += faces.byteLength;
    const values = header.values ? new Float32Array(buffer, start, header.vertices) : null;
    return { header, points, faces, values };
  }

  function column(interleaved, offset, shift) {
    const count = interleaved.length / 3;
    const made = new Array(count);
    for (let index = 0; index < count; index += 1) {
      made[index] = interleaved[3 * index + offset] + shift;
    }
    return made;
  }

  // Blue below, paper between the limits, brown above; equal steps look equally far apart.
  function divergingScale(lowShare, highShare) {
    const band = token("--band");
    return [
      [0, token("--below-far")],
      [lowShare / 2, token("--below")],
      [lowShare, band],
      [highShare, band],
      [(1 + highShare) / 2, token("--above")],
      [1, token("--above-far")],
    ];
  }

  function colouring(viewer, preview) {
    if (!preview.values) {
      // One value all over: plotly does not light a mesh of a single "color".
      return {
        intensity: new Array(preview.header.vertices).fill(0),
        colorscale: [[0, token("--stone")], [1, token("--stone")]],
        showscale: false,
      };
    }
    const limit = Number(viewer.dataset.range) || Math.max(...preview.values.map(Math.abs)) || 1;
    const low = Number(viewer.dataset.bandLow || 0);
    const high = Number(viewer.dataset.bandHigh || 0);
    const share = (value) => Math.min(Math.max((value + limit) / (2 * limit), 0.01), 0.99);
    return {
      intensity: Array.from(preview.values),
      cmin: -limit,
      cmax: limit,
      colorscale: divergingScale(share(low), share(high)),
      colorbar: { title: { text: `${preview.header.values} (${preview.header.unit})` }, thickness: 16, len: 0.8 },
    };
  }

  function meshOf(viewer, preview) {
    const [ox, oy, oz] = preview.header.origin_mm;
    return Object.assign(
      {
        type: "mesh3d",
        x: column(preview.points, 0, ox),
        y: column(preview.points, 1, oy),
        z: column(preview.points, 2, oz),
        i: column(preview.faces, 0, 0),
        j: column(preview.faces, 1, 0),
        k: column(preview.faces, 2, 0),
        flatshading: true,
        lighting: LIGHTING,
        lightposition: LAMP,
        hoverinfo: preview.values ? "x+y+z+text" : "x+y+z",
      },
      colouring(viewer, preview)
    );
  }

  function axis(title) {
    return {
      title: { text: title },
      color: token("--ink-soft"),
      gridcolor: token("--rule"),
      zerolinecolor: token("--rule"),
      showbackground: false,
      showspikes: false,
      nticks: 6,
    };
  }

  // True proportions, with the longest side as large as the picture allows.
  function proportions(trace) {
    const sizes = [trace.x, trace.y, trace.z].map(extent);
    const longest = Math.max(...sizes) || 1;
    const [x, y, z] = sizes.map((size) => Math.max((FILL * size) / longest, 0.05));
    return { x, y, z };
  }

  function layoutOf(camera, trace) {
    return {
      paper_bgcolor: "rgba(0,0,0,0)",
      font: { family: token("--font"), size: 12, color: token("--ink") },
      margin: { t: 0, r: 0, b: 0, l: 0 },
      scene: {
        aspectmode: "manual",
        aspectratio: proportions(trace),
        dragmode: "turntable",
        xaxis: axis("x (mm)"),
        yaxis: axis("y (mm)"),
        zaxis: axis("z (mm)"),
        camera,
      },
    };
  }

  // Seen along the direction, in parallel projection: lengths stay true over the whole picture.
  function cameraAt(azimuthDeg, elevationDeg) {
    const azimuth = (azimuthDeg * Math.PI) / 180;
    const elevation = (elevationDeg * Math.PI) / 180;
    return {
      eye: {
        x: DISTANCE * Math.cos(elevation) * Math.sin(azimuth),
        y: -DISTANCE * Math.cos(elevation) * Math.cos(azimuth),
        z: DISTANCE * Math.sin(elevation),
      },
      up: { x: 0, y: 0, z: 1 },
      projection: { type: "orthographic" },
    };
  }

  function extent(values) {
    let low = Infinity;
    let high = -Infinity;
    values.forEach((value) => {
      low = Math.min(low, value);
      high = Math.max(high, value);
    });
    return high - low;
  }

  function sizeSentence(trace, header) {
    const sizes = [trace.x, trace.y, trace.z].map((values) => extent(values).toFixed(1));
    const full = header.triangles_full.toLocaleString("en-GB");
    return `${sizes.join(" × ")} mm. Drawn with ${header.faces.toLocaleString("en-GB")} of ${full} triangles; figures come from all.`;
  }

  function bar(viewer, plot, sentence) {
    const view = { azimuth: 25, elevation: 25 };
    // The axis that points at the eye goes without labels: they would lie on one another.
    const look = (azimuth, elevation) => {
      view.azimuth = azimuth;
      view.elevation = elevation;
      const changes = { "scene.camera": cameraAt(azimuth, elevation) };
      const level = elevation === 0;
      const hidden = { x: level && azimuth === 90, y: level && azimuth === 0, z: elevation === TOP_DEG };
      Object.entries(hidden).forEach(([name, isHidden]) => {
        changes[`scene.${name}axis.showticklabels`] = !isHidden;
        changes[`scene.${name}axis.title.text`] = isHidden ? "" : `${name} (mm)`;
      });
      window.Plotly.relayout(plot, changes);
    };
    const buttons = [
      ["Front", () => look(0, 0)],
      ["Side", () => look(90, 0)],
      ["Top", () => look(0, TOP_DEG)],
      ["Turn", () => look((view.azimuth + TURN_DEG) % 360, 25)],
    ];
    const made = element("div", "viewer-bar");
    buttons.forEach(([word, act]) => {
      const button = element("button", "quiet", word);
      button.type = "button";
      button.addEventListener("click", act);
      made.append(button);
    });
    made.append(element("p", "note", sentence));
    viewer.append(made);
  }

  function say(viewer, sentence) {
    viewer.replaceChildren(element("p", "viewer-sentence", sentence));
  }

  function redrawOnTheme(viewer, plot, preview) {
    document.addEventListener("themechange", () => {
      if (plot.isConnected) {
        const camera = plot.layout.scene.camera;
        const trace = meshOf(viewer, preview);
        window.Plotly.react(plot, [trace], layoutOf(camera, trace), CONFIG);
      }
    });
  }

  async function show(viewer) {
    viewer.dataset.shown = "yes";
    if (!canDraw()) {
      say(viewer, "This browser cannot draw in 3-D (WebGL is missing or switched off). The figures on this page are complete without it.");
      return;
    }
    say(viewer, "Loading the 3-D view…");
    try {
      const answer = await fetch(viewer.dataset.previewUrl, { credentials: "same-origin" });
      if (!answer.ok) {
        throw new Error(`status ${answer.status}`);
      }
      const preview = decode(await answer.arrayBuffer());
      const plot = element("div", "viewer-plot");
      plot.setAttribute("role", "img");
      plot.setAttribute("aria-label", viewer.dataset.label || "3-D view");
      viewer.replaceChildren(plot);
      const trace = meshOf(viewer, preview);
      await window.Plotly.newPlot(plot, [trace], layoutOf(cameraAt(25, 25), trace), CONFIG);
      bar(viewer, plot, sizeSentence(trace, preview.header));
      redrawOnTheme(viewer, plot, preview);
    } catch (error) {
      say(viewer, "The 3-D view could not be loaded. Reload the page to try again; the figures are complete without it.");
    }
  }

  function showAll(scope) {
    scope.querySelectorAll(".viewer[data-preview-url]:not([data-shown])").forEach(show);
  }

  document.addEventListener("DOMContentLoaded", () => showAll(document));
  document.addEventListener("htmx:afterSwap", (event) => showAll(event.target));
})();

"use strict";
// Draws each .viewer from the compact preview that its data-preview-url gives (format FLM1: a mark,
// the length of a JSON header, the header, float32 points, int32 triangles, float32 values or none).
// data-settings names a JSON script: {maps: [{name, title, unit, low, high, limit, worse, places, url}],
// rotation: 3 x 3 or null}. Each url gives one map's values (format FLV1: a mark, the length of a JSON
// header, the header, uint16 values: 0 none, 1 to 65535 from the header's least to most).
(function () {
  const MARK = "FLM1";
  const MAP_MARK = "FLV1";
  // From good to bad in even steps of lightness (CIELAB L* from 92 to 18), so that a colour-blind eye or a
  // grey print tells them apart too.
  const RAMP = ["#fbe6c2", "#fcc299", "#f69e85", "#e77d7f", "#cc617f", "#a74e7e", "#7a4275", "#4d3761", "#292946"];
  const DISTANCE = 2;
  const TURN_DEG = 45;
  // Straight down leaves open which way is up; a little short of it keeps the front below.
  const TOP_DEG = 89.5;
  const CONFIG = { displaylogo: false, displayModeBar: false, responsive: true };
  const FILL = 1.3;
  // Half the width of the line that marks an end of the tolerance band, as a share of the scale.
  const EDGE_SHARE = 0.012;
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
  // Flatter light, or shade would be taken for value.
  const MAP_LIGHTING = Object.assign({}, LIGHTING, { ambient: 0.75, diffuse: 0.3, specular: 0, fresnel: 0 });

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

  function decodeMap(buffer) {
    if (String.fromCharCode(...new Uint8Array(buffer, 0, 4)) !== MAP_MARK) {
      throw new Error("not a map");
    }
    const length = new DataView(buffer).getUint32(4, true);
    const header = JSON.parse(new TextDecoder().decode(new Uint8Array(buffer, 8, length)));
    const { least, most } = header.maps[0];
    const whole = new Uint16Array(buffer, 8 + length, header.vertices);
    return Float32Array.from(whole, (step) => (step === 0 ? NaN : least + ((step - 1) / 65534) * (most - least)));
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

  // Colours given by the page, evenly spaced, with a dark line at each end of the tolerance band.
  function listedScale(colours, lowShare, highShare) {
    const mark = token("--ink-soft");
    const edges = [lowShare, highShare].filter((share) => share > 0.02 && share < 0.98);
    const stops = colours.map((colour, index) => [index / (colours.length - 1), colour]);
    edges.forEach((edge) => {
      const near = stops.reduce((best, stop) => (Math.abs(stop[0] - edge) < Math.abs(best[0] - edge) ? stop : best));
      const kept = stops.filter((stop) => Math.abs(stop[0] - edge) > EDGE_SHARE);
      const around = [[edge - EDGE_SHARE, near[1]], [edge - EDGE_SHARE / 2, mark], [edge + EDGE_SHARE / 2, mark], [edge + EDGE_SHARE, near[1]]];
      stops.splice(0, stops.length, ...kept, ...around);
    });
    return stops.sort((a, b) => a[0] - b[0]);
  }

  function scaleOf(viewer, lowShare, highShare) {
    const colours = (viewer.dataset.colours || "").split(",").filter(Boolean);
    return colours.length > 2 ? listedScale(colours, lowShare, highShare) : divergingScale(lowShare, highShare);
  }

  // The scale names its ends, zero and the tolerance, in the unit of the values.
  function tickValues(limit, low, high) {
    return Array.from(new Set([-limit, low, 0, high, limit])).sort((a, b) => a - b);
  }

  function told(value, unit) {
    const rounded = Math.round(value);
    return `${rounded > 0 ? "+" : ""}${rounded}`.replace("-", "\u2212") + ` ${unit}`;
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
      colorscale: scaleOf(viewer, share(low), share(high)),
      colorbar: {
        title: { text: `${preview.header.values} (${preview.header.unit})` },
        thickness: 16,
        len: 0.8,
        tickvals: tickValues(limit, low, high),
        ticktext: tickValues(limit, low, high).map((value) => told(value, "").trim()),
      },
      text: Array.from(preview.values, (value) => (Number.isFinite(value) ? told(value, preview.header.unit) : "")),
    };
  }

  // Share of the way from good to bad, 0 to 1; where neither is worse, from low to high.
  function badness(map, value) {
    const share = Math.min(Math.max((value - map.low) / (map.high - map.low || 1), 0), 1);
    return map.worse === "low" ? 1 - share : share;
  }

  function rampColour(share) {
    const place = share * (RAMP.length - 1);
    const first = Math.min(Math.floor(place), RAMP.length - 2);
    const mix = place - first;
    const part = (text, at) => parseInt(text.slice(at, at + 2), 16);
    const blend = (at) => Math.round(part(RAMP[first], at) * (1 - mix) + part(RAMP[first + 1], at) * mix);
    return `rgb(${blend(1)},${blend(3)},${blend(5)})`;
  }

  function figure(value) {
    return value.toLocaleString("en-GB", { maximumSignificantDigits: 3 });
  }

  function withUnit(value, map) {
    return map.unit === "°" ? `${figure(value)}°` : `${figure(value)} ${map.unit}`;
  }

  function mapped(map) {
    const stone = token("--stone");
    return {
      vertexcolor: Array.from(map.values, (value) => (Number.isNaN(value) ? stone : rampColour(badness(map, value)))),
      text: Array.from(map.values, (value) => (Number.isNaN(value) ? "nothing here" : withUnit(value, map))),
      hoverinfo: "x+y+z+text",
      lighting: MAP_LIGHTING,
    };
  }

  // The spots that the table under the view lists, with the same numbers.
  function marksOf(map, turn) {
    const places = map.places.map((place) => turn(place.slice(0, 3)));
    return {
      type: "scatter3d",
      mode: "markers+text",
      x: places.map((place) => place[0]),
      y: places.map((place) => place[1]),
      z: places.map((place) => place[2]),
      text: places.map((place, index) => String(index + 1)),
      hovertext: map.places.map((place, index) => `${index + 1}: ${withUnit(place[3], map)}`),
      hoverinfo: "text",
      textposition: "top center",
      textfont: { size: 16, color: token("--ink") },
      marker: { symbol: "diamond-open", size: 7, color: token("--ink"), line: { width: 3, color: token("--ink") } },
    };
  }

  // Turns points about the middle of the part; without a rotation they stay.
  function turner(preview, rotation) {
    if (!rotation) {
      return (point) => point;
    }
    const middle = preview.header.origin_mm;
    return (point) => {
      const from = point.map((side, index) => side - middle[index]);
      return rotation.map((row, index) => row[0] * from[0] + row[1] * from[1] + row[2] * from[2] + middle[index]);
    };
  }

  function turnAll(trace, turn) {
    for (let index = 0; index < trace.x.length; index += 1) {
      [trace.x[index], trace.y[index], trace.z[index]] = turn([trace.x[index], trace.y[index], trace.z[index]]);
    }
  }

  // What was not measured is a grey mesh of its own: a value that is no number has no colour.
  function measuredTraces(viewer, preview) {
    const seen = [];
    const unseen = [];
    for (let start = 0; start < preview.faces.length; start += 3) {
      const corners = preview.faces.subarray(start, start + 3);
      const measured = corners.every((corner) => Number.isFinite(preview.values[corner]));
      (measured ? seen : unseen).push(...corners);
    }
    // An empty mesh breaks the drawing; the other one then holds every point.
    const traces = [];
    if (seen.length) {
      const values = preview.values.map((value) => (Number.isFinite(value) ? value : 0));
      traces.push(meshOf(viewer, Object.assign({}, preview, { faces: Int32Array.from(seen), values })));
    }
    if (unseen.length) {
      traces.push(Object.assign(meshOf(viewer, Object.assign({}, preview, { faces: Int32Array.from(unseen), values: null })), {
        text: "not measured",
        hoverinfo: "text",
      }));
    }
    return traces;
  }

  function tracesOf(viewer, preview, state) {
    if (preview.values) {
      return measuredTraces(viewer, preview);
    }
    const mesh = meshOf(viewer, preview);
    const turn = turner(preview, state.turned ? state.rotation : null);
    if (state.turned) {
      turnAll(mesh, turn);
    }
    if (!state.map) {
      return [mesh];
    }
    ["intensity", "colorscale", "showscale"].forEach((name) => delete mesh[name]);
    Object.assign(mesh, mapped(state.map));
    return state.map.places.length ? [mesh, marksOf(state.map, turn)] : [mesh];
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
      showlegend: false,
      uirevision: "kept",
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
      const hidden = { x: level && azimuth === 90, y: level && azimuth === 0, z: Math.abs(elevation) === TOP_DEG };
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
      ["Below", () => look(0, -TOP_DEG)],
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

  // What a page lays over the shape is drawn anew after this.
  function tellDrawn(plot) {
    plot.dispatchEvent(new CustomEvent("viewerdrawn", { bubbles: true }));
  }

  function redraw(viewer, plot, preview, state) {
    const traces = tracesOf(viewer, preview, state);
    return window.Plotly.react(plot, traces, layoutOf(plot.layout.scene.camera, traces[0]), CONFIG);
  }

  function redrawOnTheme(viewer, plot, preview, state) {
    document.addEventListener("themechange", () => {
      if (plot.isConnected) {
        redraw(viewer, plot, preview, state).then(() => tellDrawn(plot));
        state.drawLegend();
      }
    });
  }

  // The scale with its unit and limit, drawn so that it reads without colour: numbers at its ends and marks.
  function legendOf(map) {
    const box = element("div", "map-legend");
    box.append(element("p", "", `${map.title} (${map.unit})`));
    const bar = document.createElement("canvas");
    bar.width = 288;
    bar.height = 22;
    bar.setAttribute("aria-hidden", "true");
    const pen = bar.getContext("2d");
    for (let at = 0; at < bar.width; at += 1) {
      pen.fillStyle = rampColour(badness(map, map.low + (at / (bar.width - 1)) * (map.high - map.low)));
      pen.fillRect(at, 0, 1, 14);
    }
    const ends = element("div", "map-ends");
    const inside = map.limit !== null && map.limit > map.low && map.limit < map.high;
    [map.low, (map.low + map.high) / 2, map.high].forEach((value) => ends.append(element("span", "", figure(value))));
    if (inside) {
      const at = ((map.limit - map.low) / (map.high - map.low)) * (bar.width - 1);
      pen.fillStyle = token("--ink");
      pen.fillRect(at - 1, 0, 3, 22);
    }
    box.append(bar, ends);
    if (map.limit !== null) {
      box.append(element("p", "note", `The line marks the limit, ${withUnit(map.limit, map)}.`));
    }
    box.append(element("p", "note", map.note));
    return box;
  }

  // Only the chosen map's table of places stays open under the view.
  function showPlaces(viewer, name) {
    document.querySelectorAll(`[data-map-places][data-viewer="${viewer.id}"]`).forEach((table) => {
      table.hidden = table.dataset.mapPlaces !== name;
    });
  }

  function chooser(viewer, plot, preview, state, maps) {
    const box = element("div", "viewer-choose");
    if (maps.length) {
      const label = element("label", "", "Show on the surface");
      const choice = document.createElement("select");
      choice.id = `${viewer.id}-map`;
      label.htmlFor = choice.id;
      choice.append(new Option("The shape alone", ""));
      maps.forEach((map) => choice.append(new Option(`${map.title} (${map.unit})`, map.name)));
      const legend = element("div", "");
      legend.setAttribute("aria-live", "polite");
      state.drawLegend = () => legend.replaceChildren(...(state.map ? [legendOf(state.map)] : []));
      choice.addEventListener("change", async () => {
        const wanted = choice.value;
        try {
          const map = wanted ? await withValues(maps.find((one) => one.name === wanted)) : null;
          if (choice.value !== wanted) {
            return;
          }
          state.map = map;
          state.drawLegend();
          showPlaces(viewer, wanted);
          await redraw(viewer, plot, preview, state);
          viewer.dataset.map = wanted;
        } catch (error) {
          legend.replaceChildren(element("p", "wrong", "This map could not be loaded. Choose it again."));
          choice.value = "";
        }
      });
      box.append(label, choice, legend);
      showPlaces(viewer, "");
    }
    if (state.rotation) {
      const button = element("button", "quiet", "Show it on its best face");
      button.type = "button";
      button.setAttribute("aria-pressed", "false");
      button.addEventListener("click", () => {
        state.turned = !state.turned;
        button.setAttribute("aria-pressed", String(state.turned));
        redraw(viewer, plot, preview, state);
      });
      box.append(button);
    }
    if (box.childElementCount) {
      viewer.prepend(box);
    }
  }

  async function withValues(map) {
    if (!map.values) {
      const answer = await fetch(map.url, { credentials: "same-origin" });
      if (!answer.ok) {
        throw new Error(`status ${answer.status}`);
      }
      map.values = decodeMap(await answer.arrayBuffer());
    }
    return map;
  }

  function settingsOf(viewer) {
    const source = viewer.dataset.settings && document.getElementById(viewer.dataset.settings);
    return source ? JSON.parse(source.textContent) : { maps: [], rotation: null };
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
      const settings = settingsOf(viewer);
      const state = { map: null, turned: false, rotation: settings.rotation, drawLegend: () => {} };
      const traces = tracesOf(viewer, preview, state);
      await window.Plotly.newPlot(plot, traces, layoutOf(cameraAt(25, 25), traces[0]), CONFIG);
      bar(viewer, plot, sizeSentence(traces[0], preview.header));
      chooser(viewer, plot, preview, state, settings.maps);
      redrawOnTheme(viewer, plot, preview, state);
      tellDrawn(plot);
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

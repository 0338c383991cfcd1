"use strict";
// Draws every [data-figure] with plotly. Colours named "--..." are custom properties of the stylesheet.
(function () {
  const NARROW_PX = 600;

  function token(name) {
    return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  }

  function resolved(value) {
    if (typeof value === "string") {
      return value.startsWith("--") ? token(value) : value;
    }
    if (Array.isArray(value)) {
      return value.map(resolved);
    }
    if (value && typeof value === "object") {
      return Object.fromEntries(Object.entries(value).map(([key, inner]) => [key, resolved(inner)]));
    }
    return value;
  }

  function axis(own) {
    return Object.assign(
      { gridcolor: token("--rule"), linecolor: token("--rule-strong"), zerolinecolor: token("--rule-strong"), automargin: true },
      own || {}
    );
  }

  function layoutOf(own, narrow) {
    const layout = Object.assign(
      {
        paper_bgcolor: "rgba(0,0,0,0)",
        plot_bgcolor: "rgba(0,0,0,0)",
        font: { family: token("--font"), size: 14, color: token("--ink") },
        colorway: [1, 2, 3, 4, 5, 6].map((number) => token(`--series-${number}`)),
        margin: { t: 16, r: 16, b: 48, l: narrow ? 44 : 60 },
        height: 360,
        hoverlabel: { bgcolor: token("--paper"), bordercolor: token("--rule-strong"), font: { color: token("--ink") } },
        legend: { orientation: "h", y: -0.22, yanchor: "top" },
      },
      own
    );
    Object.keys(own)
      .concat(["xaxis", "yaxis"])
      .filter((name) => /^[xy]axis\d*$/.test(name))
      .forEach((name) => {
        layout[name] = axis(own[name]);
      });
    return layout;
  }

  function follow(plot) {
    plot.on("plotly_click", (event) => {
      const target = event.points[0] && event.points[0].customdata;
      if (typeof target === "string" && target.startsWith("/") && !target.startsWith("//")) {
        window.location.assign(target);
      }
    });
  }

  function draw(plot) {
    const source = document.getElementById(plot.dataset.figure);
    const figure = resolved(JSON.parse(source.textContent));
    const config = { displaylogo: false, responsive: true, displayModeBar: false };
    const layout = layoutOf(figure.layout || {}, plot.clientWidth < NARROW_PX);
    window.Plotly.react(plot, figure.data, layout, config).then(() => {
      if (!plot.dataset.drawn) {
        plot.dataset.drawn = "yes";
        follow(plot);
      }
    });
  }

  function drawAll(scope) {
    scope.querySelectorAll("[data-figure]").forEach((plot) => {
      if (window.Plotly) {
        draw(plot);
      } else {
        plot.textContent = "The drawing could not be loaded; the numbers are in the table below.";
      }
    });
  }

  document.addEventListener("DOMContentLoaded", () => drawAll(document));
  document.addEventListener("themechange", () => drawAll(document));
  document.addEventListener("htmx:afterSwap", (event) => drawAll(event.target));
})();

"""Pictures of a comparison without a browser: coloured views, histogram, pattern bars, as PNG or PDF.

Colours diverge from near-white at zero to blue (too little) and orange (too much) in equal steps of lightness
and chroma in the OKLab space (B. Ottosson, 2020), so that equal differences look equal and people with
red-green blindness can tell the sides; the tolerance band is drawn on every scale. Drawing uses figure
objects of its own and no global state, so several threads may draw at once.
"""

from __future__ import annotations

import io
from dataclasses import replace
from typing import TYPE_CHECKING, Any, Literal, cast

import numpy as np
from numpy.typing import NDArray

from qa.geometry.compare import Comparison, Placed
from qa.geometry.mesh import FloatArray, Mesh
from qa.geometry.pattern import mm_per_unit
from qa.geometry.preview import Preview, make_preview, nearest_vertices
from qa.geometry.tree import signed

if TYPE_CHECKING:  # loaded by what draws: it takes a tenth of the start of every process
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Format = Literal["png", "pdf"]
Kind = Literal["view", "histogram", "patterns", "sheet"]

PIXEL_MM = 0.35
# Left, bottom, width and height in shares of the figure: from above, from the front, the scale.
Place = tuple[float, float, float, float]
VIEW_PLACES: tuple[Place, Place, Place] = (
    (0.06, 0.12, 0.38, 0.8),
    (0.49, 0.12, 0.38, 0.8),
    (0.91, 0.17, 0.014, 0.7),
)
GREY = (0.62, 0.62, 0.62)

# Hue angles (radians) and ends of lightness and chroma in OKLab.
_LESS_HUE, _MORE_HUE = 4.55, 0.95
_LIGHT, _DARK, _CHROMA = 0.97, 0.48, 0.16
_TO_LMS = np.array(
    [
        [1.0, 0.3963377774, 0.2158037573],
        [1.0, -0.1055613458, -0.0638541728],
        [1.0, -0.0894841775, -1.2914855480],
    ]
)
_TO_RGB = np.array(
    [
        [4.0767416621, -3.3077115913, 0.2309699292],
        [-1.2684380046, 2.6097574011, -0.3413193965],
        [-0.0041960863, -0.7034186147, 1.7076147010],
    ]
)


def diverging_colours(count: int = 255) -> FloatArray:
    """The colour scale, count x 3 in 0..1 (sRGB), from too little over nothing to too much."""
    place = np.linspace(-1.0, 1.0, count)
    size = np.abs(place)
    hue = np.where(place < 0, _LESS_HUE, _MORE_HUE)
    lab = np.column_stack(
        [
            _LIGHT - (_LIGHT - _DARK) * size,
            _CHROMA * size * np.cos(hue),
            _CHROMA * size * np.sin(hue),
        ]
    )
    linear = np.clip((lab @ _TO_LMS.T) ** 3 @ _TO_RGB.T, 0.0, 1.0)
    return np.asarray(np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055))


def colours_of(deviation_mm: FloatArray, limit_mm: float) -> NDArray[np.uint8]:
    """Colour (n x 3, 0..255) of each deviation on a scale of +- ``limit_mm``; grey for NaN."""
    scale = diverging_colours()
    place = np.clip((deviation_mm / limit_mm + 1.0) / 2.0, 0.0, 1.0)
    row = np.nan_to_num(place * (len(scale) - 1)).round().astype(np.int64)
    colours = np.where(np.isfinite(deviation_mm)[:, None], scale[row], np.array(GREY))
    return np.asarray((255 * colours).round(), dtype=np.uint8)


def scale_limit(found: Comparison | Placed) -> float:
    """End of the colour scale in mm: twice the tolerance."""
    return 2.0 * found.tolerance_mm


def coloured_preview(found: Comparison | Placed, scan: Mesh, max_triangles: int = 50_000) -> Preview:
    """The scan in the design's frame, decimated for the page's view, with the deviation at each vertex (µm,
    NaN where nothing was measured), taken at the nearest vertex of the full scan.

    Figures always come from the full samples.
    """
    moved = np.ascontiguousarray(scan.vertices @ found.transform[:3, :3].T + found.transform[:3, 3])
    bare = make_preview(Mesh(moved, scan.faces), max_triangles)
    vertex = nearest_vertices(moved, bare.vertices + np.array(bare.origin_mm))
    near = signed(found.design.target.tree, moved[vertex])
    used = np.zeros(len(scan.faces), dtype=np.bool_)
    used[found.scan_faces[found.deviation.used]] = True
    seen = np.zeros(len(moved), dtype=np.bool_)
    seen[scan.faces[used].ravel()] = True
    measured = seen[vertex] & ~near.border & np.isfinite(near.distance)
    values = np.where(measured, 1000.0 * near.distance, np.nan)
    return replace(bare, values=values.astype(np.float32), values_name="deviation", values_unit="µm")


def draw(found: Comparison, kind: Kind, form: Format = "png", *, dpi: int = 150) -> bytes:
    """One picture (``view``, ``histogram``, ``patterns``) or all on one ``sheet``, as PNG or PDF bytes."""
    if kind == "view":
        return draw_view(found, form, dpi=dpi)
    if kind == "sheet":
        figure = blank_figure((8.27, 11.69), layout="constrained")
        parts = cast("list[Figure]", figure.subfigures(3, 1, height_ratios=[2.1, 1.4, 1.2]))
        _views(found, parts[0])
        _histogram(found, parts[1].subplots())
        _patterns(found, parts[2].subplots())
        figure.suptitle(_headline(found), fontsize=11)
    else:
        figure = blank_figure((6.5, 3.6), layout="constrained")
        (_histogram if kind == "histogram" else _patterns)(found, figure.subplots())
    return _saved(figure, form, dpi)


def draw_view(found: Comparison | Placed, form: Format = "png", *, dpi: int = 150) -> bytes:
    """The coloured views from above and from the front, as PNG or PDF bytes."""
    figure = blank_figure((9, 4.2))
    # Every comparison draws this one: places given outright spare a layout of seconds.
    _views(found, figure, VIEW_PLACES)
    return _saved(figure, form, dpi)


def blank_figure(size: tuple[float, float], **how: Any) -> Figure:
    """A figure of its own, ``size`` in inches, that no other thread knows of."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=size, **how)
    FigureCanvasAgg(figure)
    return figure


def _saved(figure: Figure, form: Format, dpi: int) -> bytes:
    out = io.BytesIO()
    if form == "png":
        figure.savefig(out, format=form, dpi=dpi, metadata=stamps(form), pil_kwargs={"compress_level": 3})
    else:
        figure.savefig(out, format=form, dpi=dpi, metadata=stamps(form))
    return out.getvalue()


def stamps(form: Format) -> dict[str, None]:
    """What is kept out of a file: with no date and no program name the same drawing gives the same bytes."""
    return {"Software": None} if form == "png" else {"CreationDate": None, "Producer": None, "Creator": None}


def _headline(found: Comparison) -> str:
    words = {"pass": "within tolerance", "fail": "outside tolerance", "unknown": "cannot tell"}
    return f"Print compared with its design: {words[found.verdict]}"


def _views(
    found: Comparison | Placed, figure: Figure, places: tuple[Place, Place, Place] | None = None
) -> None:
    """Views from above and from the front, with the colour scale and the tolerance band on it."""
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import ListedColormap, Normalize

    if places is None:
        above, front = figure.subplots(1, 2)
    else:
        above, front = figure.add_axes(places[0]), figure.add_axes(places[1])
    limit = scale_limit(found)
    for axes, across, up, toward, title in (
        (above, 0, 1, 2, "from above"),
        (front, 0, 2, 1, "from the front"),
    ):
        picture, extent = splatted(found, across, up, toward, limit)
        # Seen from the front, the model's right is on the left.
        axes.imshow(
            (255 * picture).round().astype(np.uint8), extent=extent, origin="lower", interpolation="nearest"
        )
        if toward == 1:
            axes.invert_xaxis()
        axes.set_aspect("equal")
        axes.set_xlabel("mm")
        axes.set_title(title, fontsize=9)
    scale = ScalarMappable(Normalize(-limit, limit), ListedColormap(diverging_colours()))
    words = "deviation, mm (+ material in excess)"
    if places is None:
        bar = figure.colorbar(scale, ax=[above, front], shrink=0.8, label=words)
    else:
        bar = figure.colorbar(scale, cax=figure.add_axes(places[2]), label=words)
    for edge in (-found.tolerance_mm, found.tolerance_mm):
        bar.ax.axhline(edge, color="black", linewidth=1.5)
    bar.ax.text(
        -0.3, 0.5, "tolerance", transform=bar.ax.transAxes, fontsize=7, rotation=90, va="center", ha="right"
    )


def splatted(
    found: Comparison | Placed, across: int, up: int, toward: int, limit_mm: float
) -> tuple[FloatArray, tuple[float, float, float, float]]:
    """Nearest samples seen along one axis of the pattern frame as a picture (rows x columns x 4) and its
    extent in mm; shaded by the surface's slope so that form shows."""
    deviation = found.deviation
    # What faces away is hidden behind what does not, save for gaps between samples.
    shown = deviation.counts & (deviation.normals @ found.design.frame.axes[toward] > 0.0)
    local = found.design.frame.local(deviation.points[shown])
    facing = (deviation.normals[shown] @ found.design.frame.axes.T)[:, toward]
    values = np.where(deviation.used[shown], deviation.signed_mm[shown], np.nan)
    if len(local) == 0:
        return np.zeros((2, 2, 4)), (0.0, 1.0, 0.0, 1.0)
    low = local[:, [across, up]].min(axis=0)
    cell = ((local[:, [across, up]] - low) / PIXEL_MM).astype(np.int64)
    wide, high = cell.max(axis=0) + 1
    # The sample nearest to the eye in each pixel: the last of those written.
    pixel = cell[:, 1] * wide + cell[:, 0]
    order = np.argsort(local[:, toward].astype(np.float32))
    nearest = np.full(int(high) * int(wide), -1, dtype=np.int64)
    nearest[pixel[order]] = order
    filled = np.flatnonzero(nearest >= 0)
    seen = nearest[filled]
    rgb = (
        colours_of(values[seen], limit_mm) / 255.0 * (0.55 + 0.45 * np.clip(facing[seen], 0.0, 1.0))[:, None]
    )
    picture = np.zeros((int(high), int(wide), 4))
    picture[filled // wide, filled % wide, :3] = rgb
    picture[filled // wide, filled % wide, 3] = 1.0
    extent = (
        float(low[0]),
        float(low[0] + wide * PIXEL_MM),
        float(low[1]),
        float(low[1] + high * PIXEL_MM),
    )
    return _without_pinholes(picture), extent


def _without_pinholes(picture: FloatArray) -> FloatArray:
    """Fill single empty pixels from filled neighbours left and right, then above and below."""
    for axis in (0, 1):
        before, after = np.roll(picture, 1, axis=axis), np.roll(picture, -1, axis=axis)
        hole = (picture[..., 3] == 0) & (before[..., 3] > 0) & (after[..., 3] > 0)
        picture = np.where(hole[..., None], 0.5 * (before + after), picture)
    return picture


def histogram_of(found: Comparison, bins: int = 80) -> tuple[FloatArray, FloatArray]:
    """Share of the working surface's area (percent, ``bins``) by deviation, and the edges (mm, bins + 1).

    Deviations beyond the last edges are counted in the outermost bins. No bins when nothing was measured.
    """
    chosen = found.deviation.working
    values, weights = found.deviation.signed_mm[chosen], found.deviation.weights[chosen]
    if not len(values):
        return np.zeros(0), np.zeros(0)
    limit = max(
        scale_limit(found), 1.05 * float(np.abs([found.working.p02_5_mm, found.working.p97_5_mm]).max())
    )
    share, edges = np.histogram(
        np.clip(values, -limit, limit),
        bins=bins,
        range=(-limit, limit),
        weights=100 * weights / weights.sum(),
    )
    return share, edges


def _histogram(found: Comparison, axes: Axes) -> None:
    """Area-weighted histogram of the working surface with the tolerance band and the 95 % range."""
    axes.axvspan(-found.tolerance_mm, found.tolerance_mm, color="0.92", label="tolerance")
    share, edges = histogram_of(found)
    if len(share):
        middle = 0.5 * (edges[1:] + edges[:-1])
        axes.bar(
            middle, share, width=np.diff(edges), color=colours_of(middle, scale_limit(found)) / 255.0,
            edgecolor="0.4", linewidth=0.3,
        )  # fmt: skip
        for edge in (found.working.p02_5_mm, found.working.p97_5_mm):
            axes.axvline(edge, color="0.2", linestyle="--", linewidth=1)
        axes.set_title(
            f"Working surface, n = {found.working.n}: mean {found.working.mean_mm:+.3f} mm, SD "
            f"{found.working.sd_mm:.3f} mm, 95 % within {found.working.p95_abs_mm:.3f} mm\n"
            f"device uncertainty {found.uncertainty_mm:.3f} mm",
            fontsize=8,
        )
    axes.set_xlabel("deviation, mm (dashed: 2.5 and 97.5 percentile)")
    axes.set_ylabel("share of area, %")
    axes.legend(loc="upper right", fontsize=7)


def _patterns(found: Comparison, axes: Axes) -> None:
    """Size of each pattern where it moves most in mm, with its interval; unknown ones are hatched."""
    names = [one.name.replace("_", " ") for one in found.pattern]
    per = [mm_per_unit(found.design.frame)[one.name] for one in found.pattern]
    sizes = [one.size * to_mm for one, to_mm in zip(found.pattern, per, strict=True)]
    reach = [
        [(one.size - one.ci95[0]) * to_mm for one, to_mm in zip(found.pattern, per, strict=True)],
        [(one.ci95[1] - one.size) * to_mm for one, to_mm in zip(found.pattern, per, strict=True)],
    ]
    axes.axvline(0.0, color="0.3", linewidth=0.8)
    if names:
        bars = axes.barh(names, sizes, xerr=reach, color="0.75", edgecolor="0.2", capsize=3)
        for bar, one in zip(bars, found.pattern, strict=True):
            if one.verdict == "unknown":
                bar.set_hatch("///")
            elif one.verdict == "present":
                bar.set_facecolor(diverging_colours()[20 if one.size < 0 else -20])
        axes.invert_yaxis()
    else:
        axes.text(0.5, 0.5, "No pattern could be fitted.", ha="center", transform=axes.transAxes)
    axes.set_xlabel("size where it moves most, mm (bars: 95 % interval; hatched: cannot tell)")
    axes.set_title("Patterns", fontsize=9)

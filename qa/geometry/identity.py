"""Is this scan a print of this design, of another, or can nobody tell?

Registration alone cannot say: a similar arch registers well too. What tells is the share of the scan within
a narrow distance of the design with agreeing normals, and how much worse the best clearly different pose
fits. Measured on generated and real scanned arches: a print of the design 0.96 and more within 0.2 mm,
another person's arch at most 0.65; so 0.90 accepts. Neighbouring stages of one case differ by some 0.25 mm
on a few teeth and are told apart only by comparing candidates point by point.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from qa.geometry.cell_kernels import cells
from qa.geometry.deviation import Deviation
from qa.geometry.mesh import FloatArray

IdentityVerdict = Literal["this", "other", "unknown"]


@dataclass(frozen=True)
class IdentitySettings:
    """Limits of the answer; lengths in mm."""

    close_mm: float = 0.2
    accept_share: float = 0.90
    other_share: float = 0.45
    other_share_mended: float = 0.80
    accept_margin: float = 2.0
    least_coverage: float = 0.15
    patch_mm: float = 3.0
    clip_mm: float = 0.6
    least_t: float = 3.0
    differs_mm: float = 0.02


@dataclass(frozen=True)
class Identity:
    """``verdict``, the ``best`` design's name (None when none fits), why, and the share within
    ``close_mm``."""

    verdict: IdentityVerdict
    best: str | None
    reason: str
    share_close: float


@dataclass(frozen=True, eq=False)
class Contender:
    """A design that the scan was compared with: its name, its deviation (same scan samples for all), and
    the margin of its registration."""

    name: str
    deviation: Deviation
    margin: float


def identify(
    own: Contender,
    candidates: list[Contender],
    *,
    mended_share: float | None = None,
    settings: IdentitySettings | None = None,
) -> Identity:
    """Judge the identity of a scan.

    ``mended_share`` is the share within ``close_mm`` once the fitted patterns are taken off: a badly
    distorted print of this design fits then, another arch still does not.
    """
    settings = settings or IdentitySettings()
    share = own.deviation.share_within(settings.close_mm)
    fits = _fits(own, settings)
    if candidates:
        return _against_candidates(own, candidates, share, settings)
    within = f"{100 * share:.0f} % of the scan lies within {settings.close_mm:.2f} mm of the design"
    if fits:
        return Identity(
            "this", own.name, f"{within}. Other stages of the same arch were not ruled out.", share
        )
    if own.deviation.coverage < settings.least_coverage:
        return Identity("unknown", None, "Too little of the design is on the scan to tell.", share)
    mended = mended_share if mended_share is not None else share
    if share < settings.other_share and mended < settings.other_share_mended:
        return Identity("other", None, f"Only {within}: this is another arch or another design.", share)
    if own.margin < settings.accept_margin and share >= settings.accept_share:
        return Identity("unknown", None, f"{within}, but another pose fits nearly as well.", share)
    return Identity(
        "unknown",
        None,
        f"Only {within} ({100 * settings.accept_share:.0f} % would settle it): a badly distorted print of "
        "this design or another, similar one.",
        share,
    )


def _fits(one: Contender, settings: IdentitySettings) -> bool:
    return (
        one.deviation.share_within(settings.close_mm) >= settings.accept_share
        and one.margin >= settings.accept_margin
        and one.deviation.coverage >= settings.least_coverage
    )


def _against_candidates(
    own: Contender, candidates: list[Contender], share: float, settings: IdentitySettings
) -> Identity:
    every = [own, *candidates]
    cost = [_cost(one.deviation, settings) for one in every]
    best = every[int(np.argmin(cost))]
    if not _fits(best, settings):
        if _fits(own, settings):
            best = own
        else:
            verdict: IdentityVerdict = "other" if share < settings.other_share else "unknown"
            return Identity(verdict, None, "None of the designs given fits the scan.", share)
    doubtful = [
        one.name
        for one in every
        if one is not best
        and _fits(one, settings)
        and advantage(best.deviation, one.deviation, settings) < settings.least_t
    ]
    if doubtful:
        names = ", ".join(doubtful)
        return Identity(
            "unknown",
            best.name,
            f"{best.name} fits best but cannot be told from {names} by this scan.",
            share,
        )
    if best is own:
        return Identity(
            "this", own.name, f"{own.name} fits clearly better than the other designs given.", share
        )
    return Identity("other", best.name, f"The scan is a print of {best.name}, not of {own.name}.", share)


def _cost(deviation: Deviation, settings: IdentitySettings) -> float:
    size = np.minimum(np.abs(deviation.signed_mm), settings.clip_mm) ** 2
    mask = deviation.counts & ~deviation.is_base
    if not mask.any():
        return float("inf")
    return float(np.average(size[mask], weights=deviation.weights[mask]))


def advantage(better: Deviation, worse: Deviation, settings: IdentitySettings) -> float:
    """How clearly one design explains the scan better than another: a t value over surface patches.

    Only patches where the two designs differ speak; points within a patch are correlated and count once.
    """
    both = better.counts & worse.counts & ~better.is_base & ~worse.is_base
    if not both.any():
        return 0.0
    gain = np.minimum(np.abs(worse.signed_mm[both]), settings.clip_mm) ** 2
    gain -= np.minimum(np.abs(better.signed_mm[both]), settings.clip_mm) ** 2
    differs = np.abs(worse.signed_mm[both] - better.signed_mm[both])
    patch = patch_numbers(better.points[both], settings.patch_mm)
    weights = better.weights[both]
    total = np.bincount(patch, weights=weights)
    mean_gain = np.bincount(patch, weights=weights * gain) / total
    mean_differs = np.bincount(patch, weights=weights * differs) / total
    speaks = mean_differs > settings.differs_mm
    if speaks.sum() < 3:
        return 0.0
    spoken = mean_gain[speaks]
    error = float(spoken.std(ddof=1) / np.sqrt(len(spoken)))
    return float(spoken.mean() / max(error, 1e-12))


def patch_numbers(points: FloatArray, size_mm: float) -> np.ndarray[tuple[int, ...], np.dtype[np.int64]]:
    """Number (0..) of the cubic cell that each point falls in, n."""
    number, codes = cells(np.ascontiguousarray(points), size_mm)
    rank = np.empty(len(codes), dtype=np.int64)
    rank[np.argsort(codes)] = np.arange(len(codes))
    return np.asarray(rank[number])

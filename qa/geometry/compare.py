"""Compare a scan of a printed part with its design: one call from two meshes to one verdict.

``registered`` (a pose was found), ``identity`` (this design, another, cannot tell) and ``verdict`` (within
tolerance) are three different answers; a print is accepted only when all three say so.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from qa.geometry.bumps import NOTABLE_MM2, Bump, find_bumps, notable
from qa.geometry.decision import Verdict, decide, worst
from qa.geometry.design import Design, prepare
from qa.geometry.deviation import Deviation, DeviationSettings, Figures, LeftOut, figures_in_order, measure
from qa.geometry.diagnosis import Misfit, two_parts, what_is_wrong, wrong_at_sight
from qa.geometry.distances import Distance, LandmarkSheet, measure_distances
from qa.geometry.errors import GeometryError
from qa.geometry.identity import Contender, Identity, IdentitySettings, identify
from qa.geometry.mesh import FloatArray, IndexArray, Mesh
from qa.geometry.pattern import Pattern, PatternFit, PatternSettings, fit_patterns
from qa.geometry.register import RegisterSettings, Registration, register
from qa.geometry.sampling import Samples, sample_surface
from qa.geometry.skin import SkinSettings
from qa.geometry.threads import in_pairs

ENGINE = "comparison 1.6"
Progress = Callable[[float, str], None]
FEWEST_TRIANGLES = 20


class HoldsMesh(Protocol):
    """Anything read from a file that carries its mesh."""

    @property
    def mesh(self) -> Mesh: ...


Source = Mesh | Design | HoldsMesh


@dataclass(frozen=True)
class CompareRequest:
    """What to judge by. ``tolerance_mm`` holds for the working surface's 95th percentile and, unless
    ``distance_tolerance_mm`` is given, for distances; ``uncertainty_mm`` is the device's own expanded
    uncertainty (k = 2); ``uncertainty_studied`` whether a study of the device stands behind it. A bump or
    hollow beyond the tolerance of ``notable_bump_mm2`` or more is told beside the verdict."""

    tolerance_mm: float = 0.25
    uncertainty_mm: float = 0.02
    uncertainty_studied: bool = False
    distance_tolerance_mm: float | None = None
    landmarks: LandmarkSheet | None = None
    design_name: str = "design"
    spacing_mm: float = 0.25
    least_coverage_to_pass: float = 0.5
    notable_bump_mm2: float = NOTABLE_MM2
    registration: RegisterSettings = field(default_factory=RegisterSettings)
    identity: IdentitySettings = field(default_factory=IdentitySettings)
    deviation: DeviationSettings = field(default_factory=DeviationSettings)
    pattern: PatternSettings = field(default_factory=PatternSettings)
    skin: SkinSettings = field(default_factory=SkinSettings)

    def __post_init__(self) -> None:
        if not (0 < self.tolerance_mm < 100 and math.isfinite(self.tolerance_mm)):
            raise GeometryError("tolerance", "The tolerance must be above 0 and below 100 mm.")
        if not (0 <= self.uncertainty_mm < 100 and math.isfinite(self.uncertainty_mm)):
            raise GeometryError("uncertainty", "The device uncertainty must be 0 or more and below 100 mm.")


@dataclass(frozen=True, eq=False)
class Comparison:
    """All that one comparison found. ``transform`` 4 x 4, scan to design, mm.

    ``deviation`` and ``registration`` carry the arrays behind the figures, ``scan_faces`` the scan's face
    under each sample, ``spacing_mm`` how densely it was sampled.
    """

    registered: bool
    identity: Identity
    verdict: Verdict
    reason: str
    transform: FloatArray
    overlap: float
    inlier_rms_mm: float
    margin: float
    figures: Figures
    working: Figures
    base: Figures
    pattern: tuple[Pattern, ...]
    pattern_noise_mm: float
    bumps: tuple[Bump, ...]
    distances: tuple[Distance, ...]
    coverage: float
    left_out: LeftOut
    accepted: bool
    tolerance_mm: float
    uncertainty_mm: float
    spacing_mm: float
    misfit: Misfit | None
    design: Design
    deviation: Deviation
    registration: Registration
    scan_faces: IndexArray

    def as_json(self) -> dict[str, Any]:
        """Plain values for JSON; what could not be measured is null, never NaN."""
        plain = {
            "registered": self.registered,
            "identity": {
                "verdict": self.identity.verdict,
                "best": self.identity.best,
                "reason": self.identity.reason,
                "share_close": self.identity.share_close,
            },
            "accepted": self.accepted,
            "verdict": self.verdict,
            "reason": self.reason,
            "transform": self.transform.tolist(),
            "overlap": self.overlap,
            "inlier_rms_mm": self.inlier_rms_mm,
            "margin": self.margin,
            "figures": asdict(self.figures),
            "working": asdict(self.working),
            "base": asdict(self.base),
            "pattern": [asdict(one) for one in self.pattern],
            "pattern_noise_mm": self.pattern_noise_mm,
            "bumps": [asdict(one) for one in self.bumps],
            "distances": [asdict(one) for one in self.distances],
            "coverage": self.coverage,
            "left_out": asdict(self.left_out),
            "tolerance_mm": self.tolerance_mm,
            "uncertainty_mm": self.uncertainty_mm,
            "spacing_mm": self.spacing_mm,
            "misfit": self.misfit.kind if self.misfit else None,
        }
        cleaned: dict[str, Any] = without_nan(plain)
        return cleaned


@dataclass(frozen=True, eq=False)
class Placed:
    """A scan measured in a pose that is known: what pictures need of a comparison that was made before."""

    transform: FloatArray
    design: Design
    deviation: Deviation
    scan_faces: IndexArray
    tolerance_mm: float


def without_nan(value: Any) -> Any:
    """The same plain structure with numbers that are not finite turned into None."""
    if isinstance(value, dict):
        return {key: without_nan(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [without_nan(one) for one in value]
    if isinstance(value, float | np.floating):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.integer):
        return int(value)
    return value


def compare_print(
    design: Source,
    scan: Mesh | HoldsMesh,
    request: CompareRequest | None = None,
    candidates: Mapping[str, Source] | None = None,
    progress: Progress | None = None,
) -> Comparison:
    """Compare a scan with a design (a mesh, a read mesh, or a ``Design`` prepared before).

    ``candidates``: other designs by name that the scan may be of, such as other stages of the case.
    ``progress`` is called with a share done (0..1) and what is going on. Raises ``GeometryError`` for a mesh
    that cannot be compared at all; every other outcome is an answer.
    """
    request = request or CompareRequest()
    tell = progress or (lambda share, what: None)
    tell(0.0, "Preparing the design and sampling the scan")
    ready, samples = _made_ready(design, scan, request)
    tell(0.25, "Finding the pose")
    misfit = wrong_at_sight(ready, samples, request.registration)
    narrow = replace(request.registration, wider_grids=2 if misfit is None else 0)
    # The fit's frame and normals wait for no pose, and the search leaves part of two cores idle.
    registration, _ = in_pairs(
        lambda: register(ready.target, samples, narrow), lambda: (ready.frame, ready.vertex_normals)
    )
    tell(0.5, "Measuring the deviation")
    deviation = measure(ready, samples, registration.transform, request.deviation)
    tell(0.6, "Fitting the patterns")
    fit, ascending = in_pairs(
        lambda: _fit(ready, deviation, registration, request), lambda: np.argsort(deviation.signed_mm)
    )
    left = _left(fit, deviation)
    mended = _mended_share(deviation, left, request)
    tell(0.75, "Judging the identity")
    own = Contender(request.design_name, deviation, registration.margin)
    # What is wrong at sight (unit, size, nothing but a table) is wrong for every candidate.
    # A scan that was placed without the wider grids of starts would be placed on the right candidate so too.
    search = request.registration if registration.widened else replace(request.registration, wider_grids=0)
    others = _contenders(candidates or {}, samples, request, search, tell) if misfit is None else []
    identity = identify(own, others, mended_share=mended, settings=request.identity)
    if misfit is None:
        # Even a good fit leaves open which of two parts in the file was meant.
        if identity.verdict == "this":
            misfit = two_parts(ready, samples, deviation, request.registration)
        else:
            misfit = what_is_wrong(ready, samples, registration, deviation, request.registration)
    identity = _with_misfit(identity, misfit)
    registered = registration.registered and misfit is None
    tell(0.95, "Judging the print")
    return _judged(
        ready, samples, registration, registered, deviation, ascending, identity, misfit, fit, left, request
    )


def measured_at(
    design: Source, scan: Mesh | HoldsMesh, transform: FloatArray, request: CompareRequest | None = None
) -> Placed:
    """Measure a scan again in the pose (4 x 4, scan to design) that a comparison found: the same samples and
    the same deviations, without the search. Raises ``GeometryError`` as ``compare_print`` does."""
    request = request or CompareRequest()
    ready, samples = _made_ready(design, scan, request)
    deviation = measure(ready, samples, transform, request.deviation)
    return Placed(transform, ready, deviation, samples.face, request.tolerance_mm)


def prepared(design: Source, request: CompareRequest | None = None) -> Design:
    """The design made ready; hand the result to ``compare_print`` to save the work on further scans."""
    request = request or CompareRequest()
    if isinstance(design, Design):
        return design
    return prepare(design if isinstance(design, Mesh) else design.mesh, request.skin)


def _made_ready(design: Source, scan: Mesh | HoldsMesh, request: CompareRequest) -> tuple[Design, Samples]:
    """The design prepared and the scan sampled, side by side: neither waits for the other."""
    mesh = _scan_mesh(scan)
    return in_pairs(
        lambda: prepared(design, request),
        lambda: sample_surface(mesh, request.spacing_mm, ordered=True),
    )


def _scan_mesh(scan: Mesh | HoldsMesh) -> Mesh:
    mesh = scan if isinstance(scan, Mesh) else scan.mesh
    if len(mesh.faces) < FEWEST_TRIANGLES:
        raise GeometryError(
            "too_few", f"The scan has fewer than {FEWEST_TRIANGLES} triangles; there is nothing to compare."
        )
    if not np.isfinite(mesh.vertices).all():
        raise GeometryError("not_finite", "The scan has a coordinate that is not a number; export it again.")
    return mesh


def _fit(
    design: Design, deviation: Deviation, registration: Registration, request: CompareRequest
) -> PatternFit | None:
    if not registration.registered:
        return None
    chosen = np.flatnonzero(deviation.working)
    if len(chosen) == 0:
        return None
    return fit_patterns(design, _scan_in_design(deviation, chosen), settings=request.pattern)


def _scan_in_design(deviation: Deviation, chosen: Any) -> Samples:
    return Samples(
        deviation.points[chosen],
        deviation.normals[chosen],
        deviation.weights[chosen],
        deviation.face[chosen],
        0.0,
        ordered=True,
    )


def _left(fit: PatternFit | None, deviation: Deviation) -> FloatArray:
    """Deviation of every working sample once the patterns are taken off (NaN elsewhere, and where the
    design ends: nothing can be said there)."""
    left = np.full(len(deviation.points), np.nan)
    left[deviation.working] = deviation.signed_mm[deviation.working] if fit is None else fit.left_mm
    return left


def _mended_share(deviation: Deviation, left: FloatArray, request: CompareRequest) -> float:
    asked = deviation.counts & ~deviation.is_base & ~(deviation.working & np.isnan(left))
    whole = deviation.weights[asked].sum()
    if whole <= 0:
        return 0.0
    close = asked & (np.abs(np.nan_to_num(left, nan=np.inf)) <= request.identity.close_mm)
    return float(deviation.weights[close & (deviation.agree > 0.5)].sum() / whole)


def _contenders(
    candidates: Mapping[str, Source],
    samples: Samples,
    request: CompareRequest,
    search: RegisterSettings,
    tell: Progress,
) -> list[Contender]:
    found = []
    for number, (name, source) in enumerate(candidates.items()):
        tell(0.75 + 0.2 * number / len(candidates), f"Comparing with {name}")
        ready = prepared(source, request)
        pose = register(ready.target, samples, search)
        found.append(Contender(name, measure(ready, samples, pose.transform, request.deviation), pose.margin))
    return found


def _with_misfit(identity: Identity, misfit: Misfit | None) -> Identity:
    """A named fault overrides what the shares alone suggest, unless candidates settled it."""
    if misfit is None or (identity.best is not None and misfit.kind != "two_parts"):
        return identity
    return Identity(misfit.identity, None, misfit.sentence, identity.share_close)


def _judged(
    design: Design, samples: Samples, registration: Registration, registered: bool,  # noqa: FBT001
    deviation: Deviation, ascending: NDArray[np.int64], identity: Identity, misfit: Misfit | None,
    fit: PatternFit | None, left: FloatArray, request: CompareRequest,
) -> Comparison:  # fmt: skip
    def told(mask: Any) -> Figures:
        chosen = ascending[mask[ascending]]
        return figures_in_order(deviation.signed_mm[chosen], deviation.weights[chosen], request.tolerance_mm)

    working = deviation.working
    accepted = registered and identity.verdict == "this"
    distances: tuple[Distance, ...] = ()
    if request.landmarks is not None and registered and identity.verdict != "other":
        distances = measure_distances(
            design,
            _scan_in_design(deviation, deviation.used),
            request.landmarks,
            tolerance_mm=request.distance_tolerance_mm or request.tolerance_mm,
            uncertainty_mm=request.uncertainty_mm,
        )
    working_figures, (used_figures, base_figures) = in_pairs(
        lambda: told(working), lambda: (told(deviation.used), told(deviation.used & deviation.is_base))
    )
    bumps: tuple[Bump, ...] = ()
    if registered:
        bumps = find_bumps(
            deviation.points[working],
            left[working],
            deviation.weights[working],
            tolerance_mm=request.tolerance_mm,
            spacing_mm=samples.spacing_mm,
        )
    verdict, reason = _verdict(
        working_figures, distances, bumps, accepted, registered, identity, misfit, deviation, request
    )
    return Comparison(
        registered=registered,
        identity=identity,
        verdict=verdict,
        reason=reason,
        transform=registration.transform,
        overlap=registration.overlap,
        inlier_rms_mm=registration.inlier_rms_mm,
        margin=registration.margin,
        figures=used_figures,
        working=working_figures,
        base=base_figures,
        pattern=fit.patterns if fit else (),
        pattern_noise_mm=fit.noise_mm if fit else math.nan,
        bumps=bumps,
        distances=distances,
        coverage=deviation.coverage,
        left_out=deviation.left_out,
        accepted=accepted,
        tolerance_mm=request.tolerance_mm,
        uncertainty_mm=request.uncertainty_mm,
        spacing_mm=samples.spacing_mm,
        misfit=misfit,
        design=design,
        deviation=deviation,
        registration=registration,
        scan_faces=samples.face,
    )


def _verdict(
    working: Figures, distances: tuple[Distance, ...], bumps: tuple[Bump, ...],
    accepted: bool, registered: bool,  # noqa: FBT001
    identity: Identity, misfit: Misfit | None, deviation: Deviation, request: CompareRequest,
) -> tuple[Verdict, str]:  # fmt: skip
    """One verdict and the sentences behind it."""
    if not registered or identity.verdict == "other":
        lead = "" if registered or misfit else "No pose fits clearly better than the others. "
        return "unknown", f"{lead}{identity.reason} The print was not judged."
    surface = decide(
        "The working surface's 95th percentile of magnitude",
        working.p95_abs_mm,
        request.tolerance_mm,
        request.uncertainty_mm,
    )
    verdict = worst([surface.verdict, *(one.verdict for one in distances)])
    sentences = [surface.sentence, *bump_sentence(bumps, request)]
    sentences += [one.sentence for one in distances if one.verdict != "pass"]
    if not accepted:
        sentences.append(identity.reason)
        verdict = "fail" if verdict == "fail" else "unknown"
    else:
        sentences.append(identity.reason)
    if deviation.coverage < request.least_coverage_to_pass:
        verdict = "fail" if verdict == "fail" else "unknown"
        sentences.append(
            f"The scan covers {100 * deviation.coverage:.0f} % of the working surface; "
            f"{100 * request.least_coverage_to_pass:.0f} % is needed to pass it."
        )
    if not request.uncertainty_studied:
        sentences.append(
            "The device uncertainty is a stated figure; no study of the device stands behind it."
        )
    return verdict, " ".join(sentences)


def bump_sentence(bumps: tuple[Bump, ...], request: CompareRequest) -> list[str]:
    """What the percentile does not show: a missing cusp is less than a twentieth of the surface.

    Named are patches of ``notable_bump_mm2`` and more whose peak the device proves beyond the tolerance.
    """
    told = notable(
        bumps,
        proven_mm=request.tolerance_mm + request.uncertainty_mm,
        least_area_mm2=request.notable_bump_mm2,
    )
    if not told:
        return []
    worst_one = told[0]
    kind = "bump" if worst_one.peak_mm > 0 else "hollow"
    more = f" ({len(told)} such places in all)" if len(told) > 1 else ""
    return [
        f"The percentile does not show a {kind} beyond the tolerance: {worst_one.area_mm2:.1f} mm² with "
        f"{worst_one.peak_mm:+.2f} mm at its peak{more}. Look at it before the print is used."
    ]

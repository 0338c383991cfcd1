"""What is read of checks: the latest of a mesh, and what moved since the one before."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from cases.models import MeshUse
from qa.check_figures import figure_of, rounded, words
from qa.choices import CheckState
from qa.models import MeshCheck

# A figure that changed by less than this share is the same one computed twice.
SAME_SHARE = 1e-6


@dataclass(frozen=True)
class Move:
    """One thing that differs between two checks of a mesh. ``change`` is after less before, for numbers."""

    name: str
    title: str
    before: str
    after: str
    unit: str
    change: str = ""


@dataclass(frozen=True)
class Moved:
    """Two checks of one mesh side by side. Each tuple is empty when nothing of its kind moved."""

    before: MeshCheck
    after: MeshCheck
    verdicts: tuple[Move, ...]
    limits: tuple[Move, ...]
    figures: tuple[Move, ...]
    request: tuple[Move, ...]

    @property
    def verdict_changed(self) -> bool:
        """Whether the whole mesh is judged otherwise."""
        return self.before.verdict != self.after.verdict

    @property
    def nothing(self) -> bool:
        """Whether the two say the same."""
        return not (self.verdicts or self.limits or self.figures or self.request or self.verdict_changed)


def latest_check(mesh: MeshUse) -> MeshCheck | None:
    """The check that was asked for last, whatever came of it."""
    return (
        mesh.checks.select_related("limits", "job", "mesh__blob", "mesh__case", "mesh__appliance__line")
        .order_by("-pk")
        .first()
    )


def latest_done(mesh: MeshUse) -> MeshCheck | None:
    """The latest check that has figures."""
    return mesh.checks.select_related("limits").filter(state=CheckState.DONE).order_by("-pk").first()


def moved_since_before(check: MeshCheck) -> Moved | None:
    """What moved against the finished check before it; None for the first one, or one without figures."""
    if check.state != CheckState.DONE:
        return None
    before = (
        MeshCheck.objects.select_related("limits")
        .filter(mesh_id=check.mesh_id, state=CheckState.DONE, pk__lt=check.pk)
        .order_by("-pk")
        .first()
    )
    return None if before is None else compare_checks(before, check)


def compare_checks(before: MeshCheck, after: MeshCheck) -> Moved:
    """Verdicts, limits, figures and what was asked, where they differ."""
    old = {row["name"]: row for row in before.findings}
    new = {row["name"]: row for row in after.findings}
    names = [*old, *(name for name in new if name not in old)]
    return Moved(
        before=before,
        after=after,
        verdicts=tuple(
            Move(name, words(name), _verdict(old.get(name)), _verdict(new.get(name)), "")
            for name in names
            if _verdict(old.get(name)) != _verdict(new.get(name))
        ),
        limits=tuple(
            Move(name, words(name), _limit(old[name]), _limit(new[name]), "")
            for name in names
            if name in old and name in new and _limit(old[name]) != _limit(new[name])
        ),
        figures=_figures(before.figures, after.figures),
        request=_figures(before.request, after.request),
    )


def _verdict(row: dict[str, Any] | None) -> str:
    return "not judged" if row is None else str(row["verdict"])


def _limit(row: dict[str, Any]) -> str:
    limit = row.get("limit")
    return "none" if not limit else f"{limit['value']:g} {limit['unit']}, version {limit['version']}"


def _figures(before: dict[str, Any], after: dict[str, Any]) -> tuple[Move, ...]:
    moves = []
    for name in [*before, *(name for name in after if name not in before)]:
        if name in before and name in after and same(before[name], after[name]):
            continue
        old, new = _text(name, before), _text(name, after)
        figure = figure_of(name, after.get(name, before.get(name)))
        moves.append(Move(name, figure.name, old, new, figure.unit, _change(before, after, name)))
    return tuple(moves)


def _text(name: str, figures: dict[str, Any]) -> str:
    return figure_of(name, figures[name]).text if name in figures else "not asked"


def _change(before: dict[str, Any], after: dict[str, Any], name: str) -> str:
    old, new = before.get(name), after.get(name)
    numbers = all(isinstance(one, int | float) and not isinstance(one, bool) for one in (old, new))
    if not numbers or old is None or new is None:
        return ""
    difference = float(new) - float(old)
    return ("+" if difference > 0 else "−") + rounded(abs(difference))


def same(old: Any, new: Any) -> bool:
    """Whether two figures are the same, rounding of the last digits aside."""
    if isinstance(old, bool) or isinstance(new, bool):
        return old is new
    if isinstance(old, int | float) and isinstance(new, int | float):
        return abs(old - new) <= SAME_SHARE * max(abs(old), abs(new), 1e-6)
    if isinstance(old, list) and isinstance(new, list):
        return len(old) == len(new) and all(same(one, two) for one, two in zip(old, new, strict=True))
    return bool(old == new)

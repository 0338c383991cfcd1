"""What upper apps set off from a case, show on its page, or answer for it.

Every hook fires inside the transaction of the change, after the rows are written; a handler that
raises ``Refused`` undoes the change. The registries let cases say what only an upper app knows.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from django.db.models import QuerySet

from cases.models import Appliance, Case, MeshUse
from labtrack.hooks import Hook, Panels

# A mesh was attached, or an attached one was restated (another unit or role, a replacing file).
mesh_attached: Hook[MeshUse] = Hook("mesh attached")
appliance_remade: Hook[Appliance] = Hook("appliance remade")
# About to be voided, cancelled or withdrawn. Handlers raise ``Refused`` when work on it is under way.
case_voiding: Hook[Case] = Hook("case voiding")
appliance_cancelling: Hook[Appliance] = Hook("appliance cancelling")
mesh_withdrawing: Hook[MeshUse] = Hook("mesh withdrawing")

# Panels of the case page take the Case; those shown with each mesh take the MeshUse. A mesh panel
# whose context holds ``waiting`` true makes the page ask again until it does not.
case_panels = Panels("case")
mesh_panels = Panels("mesh")


@dataclass(frozen=True)
class MeshDescription:
    """What a reader says of a file: its format (``stl-binary``, ``ply`` ...) and its triangles."""

    format: str
    triangles: int


class MeshReader:
    """The one function that opens mesh files, brought by the app that owns the mesh engine.

    ``describe(path, unit)`` reads as far as it must to refuse what is no sound mesh. It raises
    ``Refused`` with a sentence: not a mesh, truncated, a count that lies, coordinates that are no
    numbers, or a file that states another unit than ``unit``.
    """

    def __init__(self) -> None:
        self._describe: Callable[[Path, str], MeshDescription] | None = None

    def use(self, describe: Callable[[Path, str], MeshDescription]) -> None:
        """Read with ``describe`` from now on."""
        self._describe = describe

    def describe(self, path: Path, unit: str) -> MeshDescription:
        if self._describe is None:
            raise RuntimeError("no installed app reads meshes")
        return self._describe(path, unit)


mesh_reader = MeshReader()


@dataclass(frozen=True)
class ApplianceProgress:
    """How far an appliance is, in words, with a link to its record when there is one."""

    words: str
    url: str = ""
    delivered: bool = False


class ProgressSources:
    """Callables that say how far given appliances are, by appliance id; a later one goes before.

    A source takes all appliances of a page at once, so that a long series costs a few queries.
    """

    def __init__(self) -> None:
        self._sources: list[Callable[[Sequence[Appliance]], dict[int, ApplianceProgress]]] = []

    def add(self, source: Callable[[Sequence[Appliance]], dict[int, ApplianceProgress]]) -> None:
        """Add once, however often an app's ``ready`` runs."""
        if source not in self._sources:
            self._sources.append(source)

    def of(self, appliances: Sequence[Appliance]) -> dict[int, ApplianceProgress]:
        found: dict[int, ApplianceProgress] = {}
        for source in self._sources:
            found |= source(appliances)
        return found


appliance_progress = ProgressSources()


class DeliveredAppliances:
    """Callables that return a queryset of the ids of appliances that were handed over."""

    def __init__(self) -> None:
        self._sources: list[Callable[[], QuerySet[Any, Any]]] = []

    def add(self, source: Callable[[], QuerySet[Any, Any]]) -> None:
        """Add once, however often an app's ``ready`` runs."""
        if source not in self._sources:
            self._sources.append(source)

    def id_querysets(self) -> list[QuerySet[Any, Any]]:
        return [source() for source in self._sources]


delivered_appliances = DeliveredAppliances()

# Names of reverse relations of MeshUse that mesh panels read: fetched for all meshes of a page at once.
mesh_prefetches: list[str] = []

"""The lab's limits: the version in force, a version by its number, and a version as the engine takes it."""

from __future__ import annotations

from labtrack.errors import NotFound
from qa.geometry.limits import SHIPPED, LimitSet
from qa.models import LimitVersion


def limits_in_force() -> LimitVersion:
    """The latest version; the first one came with the database's migrations."""
    return LimitVersion.objects.latest("version")


def limit_set(version: LimitVersion) -> LimitSet:
    """The engine's set of a stored version; names that an engine since then has given up are left out."""
    known = {limit.name for limit in SHIPPED.limits}
    kept = {name: entry for name, entry in version.content["limits"].items() if name in known}
    return LimitSet.from_json({**version.content, "limits": kept})


def limits_of_version(version: int) -> LimitVersion:
    """One version; raises ``NotFound``."""
    found = LimitVersion.objects.select_related("recorded_by").filter(version=version).first()
    if found is None:
        raise NotFound("There is no such version of the limits.")
    return found

"""Under which key a mesh's check is kept, and which checks were made under what is in force now."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from typing import Any

from cases.models import MeshUse
from qa.geometry.check import ENGINE
from qa.models import LimitVersion, MeshCheck
from qa.queries.check_request import layers_of, request_of, shop_of_printers
from qa.queries.insertion import axes_in_force
from qa.queries.limits import limits_in_force


def check_key(mesh: MeshUse, request: dict[str, Any], limits: LimitVersion) -> str:
    """Digest over everything the figures and verdicts depend on."""
    facts = {
        "mesh": mesh.blob.sha256,
        "unit": mesh.unit,
        "request": request,
        "limits": limits.version,
        "engine": ENGINE,
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


def is_current(check: MeshCheck) -> bool:
    """Whether the check was made under the limits, printers and engine in force."""
    return check.pk in current_checks([check])


def current_checks(checks: Sequence[MeshCheck]) -> set[int]:
    """Ids of those that were made under what is in force, in a few queries for a whole series."""
    limits, printers = limits_in_force(), shop_of_printers()
    layers = layers_of([check.mesh_id for check in checks])
    axes = axes_in_force([check.mesh for check in checks])
    return {
        check.pk
        for check in checks
        if check.key
        == check_key(check.mesh, request_of(check.mesh, printers=printers, layers=layers, axes=axes), limits)
    }

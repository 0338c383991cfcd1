"""Choosing the direction in which an appliance comes off, which a design is then checked along."""

from __future__ import annotations

import math

from cases.choices import SCAN_ROLES
from cases.models import MeshUse
from cases.queries import mesh_for
from cases.services.order import locked_case
from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.audit.services.record import record_created
from labtrack.audit.services.submissions import Outcome, once
from labtrack.constraints import constraint_messages
from labtrack.errors import Conflict, Refused
from qa.models import InsertionAxis
from qa.queries.check_request import goes_under_a_sheet
from qa.queries.insertion import axis_in_force
from qa.services.checks import check_all_again

Direction = tuple[float, float, float]


def choose_insertion(
    *, actor: Actor, key: str, mesh_id: int, axis: Direction | None, based_on: int | None = None
) -> Outcome[InsertionAxis]:
    """Choose a design's insertion axis, in its file's frame; None is as it is formed.

    Every use of the file in this case is then checked anew; earlier results stay. ``based_on`` is the number
    of the choice that the person saw (0: none yet). Raises ``Refused`` for what is no direction and for a
    mesh that nothing is formed over, ``Conflict`` when it is chosen already or somebody else chose meanwhile.
    """
    actor.require(Capability.CASES_WRITE)
    mesh = mesh_for(actor, mesh_id)
    if not takes_insertion(mesh):
        raise Refused(
            "not-formed", "No sheet goes over this mesh, so nothing comes off it: no insertion axis is asked."
        )
    unit = _unit(axis)

    def make() -> InsertionAxis:
        locked_case(actor, mesh.case.number)
        mesh.refresh_from_db(fields=["replaced_by", "withdrawn_at"])
        if not mesh.is_in_use:
            raise Conflict("mesh-out-of-use", f"{mesh.original_name} is not in use any more.")
        latest = axis_in_force(mesh)
        if based_on is not None and based_on != (latest.pk if latest else 0):
            raise Conflict(
                "insertion-changed", "Somebody chose another insertion axis meanwhile. Look at it again."
            )
        if unit == (tuple(latest.vector) if latest and latest.vector else None):
            raise Conflict("nothing-to-change", "That is the insertion axis already.")
        x, y, z = unit or (None, None, None)
        with constraint_messages(InsertionAxis):
            made = InsertionAxis.objects.create(mesh=mesh, x=x, y=y, z=z, by=actor.user)
        record_created(actor=actor, action="insertion.chosen", subject=made)
        uses = MeshUse.objects.in_use().filter(case=mesh.case_id, blob=mesh.blob_id)
        check_all_again(actor=actor, meshes=[one for one in uses if takes_insertion(one)])
        return made

    payload = {"mesh": mesh_id, "axis": list(axis) if axis else None, "based_on": based_on}
    return once(
        actor=actor, key=key, use_case="choose_insertion", payload=payload, model=InsertionAxis, make=make
    )


def takes_insertion(mesh: MeshUse) -> bool:
    """Whether something is formed over the mesh: a design or a prepared file of what a sheet goes over."""
    return mesh.role not in SCAN_ROLES and goes_under_a_sheet(mesh)


def _unit(axis: Direction | None) -> Direction | None:
    """The direction at length one, rounded to what can be typed again."""
    if axis is None:
        return None
    length = math.hypot(*axis) if all(math.isfinite(side) for side in axis) else 0.0
    if not 0.0 < length < math.inf:
        raise Refused(
            "insertion-no-direction", "The direction needs three numbers that are not all zero.", field="axis"
        )
    x, y, z = (min(max(round(side / length, 9), -1.0), 1.0) + 0.0 for side in axis)
    return x, y, z

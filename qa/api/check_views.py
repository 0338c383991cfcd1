"""Checks, limits, series and print times for scripts: thin over the same reads as the pages."""

from __future__ import annotations

from typing import Any

from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from cases.choices import MeshRole
from cases.models import MeshUse
from cases.queries import case_for, mesh_for
from labtrack.accounts.choices import Capability
from labtrack.api.parsers import BoundedJsonParser
from labtrack.api.views import KEY, ApiView, made_status
from labtrack.errors import NotFound
from qa.api import check_shapes as shapes
from qa.choices import CheckState
from qa.layer_chart import COLUMNS, profile_rows
from qa.models import InsertionAxis, LimitVersion, MeshCheck
from qa.queries.check_keys import is_current
from qa.queries.checks import Moved, latest_check, latest_done, moved_since_before
from qa.queries.insertion import axis_in_force
from qa.queries.limits import limit_set, limits_in_force, limits_of_version
from qa.queries.prepared import prepared_change, prepared_of
from qa.queries.print_time import MeshTime, mesh_times
from qa.queries.series import WATCHED, Series, series_for, series_of_case
from qa.series_page import rule_words
from qa.services.checks import check_again
from qa.services.insertion import choose_insertion, takes_insertion


class MeshCheckView(ApiView):
    """The latest check of a mesh: its state, and its result once it is done."""

    required_scope = Capability.CHECKS_READ
    method_scopes = {"POST": Capability.CASES_WRITE}
    serializer_class = shapes.MeshCheckSerializer

    @extend_schema(operation_id="meshes_check_retrieve")
    def get(self, request: Request, mesh_id: int) -> Response:
        mesh = mesh_for(self.actor, mesh_id)
        check = latest_check(mesh)
        if check is None:
            raise NotFound("This mesh was not checked yet.")
        return Response(self.get_serializer(check_answer(check)).data)

    @extend_schema(operation_id="meshes_check_create", request=None)
    def post(self, request: Request, mesh_id: int) -> Response:
        """Ask for a check under the limits and engine in force; one that is current is given as it is."""
        mesh = mesh_for(self.actor, mesh_id)
        check_again(actor=self.actor, mesh=mesh)
        check = latest_check(mesh)
        if check is None:
            raise NotFound("This mesh was not checked yet.")
        return Response(self.get_serializer(check_answer(check)).data)


class InsertionView(ApiView):
    """The insertion axis in force of a design or prepared file; POST chooses another, or none of its own."""

    required_scope = Capability.CHECKS_READ
    method_scopes = {"POST": Capability.CASES_WRITE}
    serializer_class = shapes.InsertionSerializer
    parser_classes = (BoundedJsonParser,)

    @extend_schema(operation_id="meshes_insertion_retrieve")
    def get(self, request: Request, mesh_id: int) -> Response:
        mesh = mesh_for(self.actor, mesh_id)
        if not takes_insertion(mesh):
            raise NotFound("No sheet goes over this mesh, so nothing comes off it.")
        return Response(self.get_serializer(_insertion_answer(axis_in_force(mesh))).data)

    @extend_schema(
        operation_id="meshes_insertion_create",
        parameters=[KEY],
        request=shapes.NewInsertionSerializer,
        responses={200: shapes.InsertionSerializer, 201: shapes.InsertionSerializer},
    )
    def post(self, request: Request, mesh_id: int) -> Response:
        """Choose the direction in which what is formed over it comes off; a new check is asked for."""
        mesh_for(self.actor, mesh_id)
        asked = shapes.NewInsertionSerializer(data=request.data)
        asked.is_valid(raise_exception=True)
        axis = asked.validated_data["axis"]
        outcome = choose_insertion(
            actor=self.actor,
            key=self.key,
            mesh_id=mesh_id,
            axis=None if axis is None else (axis[0], axis[1], axis[2]),
            based_on=asked.validated_data["based_on"],
        )
        answer = self.get_serializer(_insertion_answer(outcome.thing)).data
        return Response(answer, status=made_status(outcome.repeated))


def _insertion_answer(choice: InsertionAxis | None) -> dict[str, Any]:
    return {
        "choice": choice.pk if choice else 0,
        "axis": choice.vector if choice else None,
        "by": choice.by.name if choice else None,
        "recorded_at": choice.recorded_at if choice else None,
    }


def check_answer(check: MeshCheck) -> dict[str, Any]:
    """Everything of a check but its layers and the maps' values."""
    job, mesh = check.job, check.mesh
    done = check.state == CheckState.DONE
    moved = moved_since_before(check)
    return {
        "mesh": check.mesh_id,
        "state": check.state,
        "progress": 1.0 if done else (job.progress if job else 0.0),
        "progress_text": job.progress_text if job and not done else "",
        "sentence": check.sentence,
        "verdict": check.verdict or None,
        "engine": check.engine,
        "limits_version": check.limits.version,
        "current": is_current(check),
        "request": check.request,
        "figures": check.figures,
        "checks": check.findings,
        "sections": check.sections,
        "maps": check.maps,
        "moved": None if moved is None else _moved_answer(moved),
        "prepared": _prepared_id(mesh),
        "prepared_change": _change_answer(mesh, check) if done else None,
        "asked_at": check.asked_at,
        "finished_at": check.finished_at,
    }


def _moved_answer(moved: Moved) -> dict[str, Any]:
    old = {row["name"]: row for row in moved.before.findings}
    new = {row["name"]: row for row in moved.after.findings}
    return {
        "before_limits_version": moved.before.limits.version,
        "before_engine": moved.before.engine,
        "before_verdict": moved.before.verdict,
        "verdicts": [{"name": one.name, "before": one.before, "after": one.after} for one in moved.verdicts],
        "limits": [
            {"name": one.name, "before": old[one.name].get("limit"), "after": new[one.name].get("limit")}
            for one in moved.limits
        ],
        "figures": [_plain(one.name, moved.before.figures, moved.after.figures) for one in moved.figures],
        "request": [_plain(one.name, moved.before.request, moved.after.request) for one in moved.request],
    }


def _plain(name: str, before: dict[str, Any], after: dict[str, Any]) -> dict[str, Any]:
    return {"name": name, "before": before.get(name), "after": after.get(name)}


def _prepared_id(mesh: MeshUse) -> int | None:
    if mesh.role != MeshRole.DESIGN:
        return None
    prepared = prepared_of(mesh)
    return None if prepared is None else prepared.pk


def _change_answer(mesh: MeshUse, check: MeshCheck) -> dict[str, Any] | None:
    if mesh.role != MeshRole.PREPARED:
        return None
    change = prepared_change(mesh, check)
    if change is None:
        return None
    return {
        "design": change.design.pk,
        "scale_percent": change.scale_percent,
        "sentences": list(change.sentences),
    }


class MeshLayersView(ApiView):
    """Every layer of a mesh's latest finished check."""

    required_scope = Capability.CHECKS_READ
    serializer_class = shapes.LayerSerializer
    pagination_class = None

    @extend_schema(operation_id="meshes_layers_list", responses=shapes.LayerSerializer(many=True))
    def get(self, request: Request, mesh_id: int) -> Response:
        check = latest_done(mesh_for(self.actor, mesh_id))
        if check is None:
            raise NotFound("There are no layers of this mesh yet.")
        rows = [dict(zip(COLUMNS, row, strict=True)) for row in profile_rows(check)]
        return Response(self.get_serializer(rows, many=True).data)


class MeshPrintTimeView(ApiView):
    """How long a build of parts like a mesh takes, at every printer and profile in use."""

    required_scope = Capability.SHOP_READ
    serializer_class = shapes.PrintTimeSerializer
    pagination_class = None

    @extend_schema(
        operation_id="meshes_print_time_list",
        parameters=[shapes.TimeFilterSerializer],
        responses=shapes.PrintTimeSerializer(many=True),
    )
    def get(self, request: Request, mesh_id: int) -> Response:
        asked = shapes.TimeFilterSerializer(data=request.query_params)
        asked.is_valid(raise_exception=True)
        check = latest_done(mesh_for(self.actor, mesh_id))
        if check is None:
            raise NotFound("This mesh has no figures yet.")
        times = mesh_times(check.figures, parts=asked.validated_data.get("parts"))
        return Response(self.get_serializer([_time_answer(one) for one in times], many=True).data)


def _time_answer(one: MeshTime) -> dict[str, Any]:
    setting, estimate = one.history.setting, one.estimate
    interval = estimate.interval
    return {
        "printer": setting.printer,
        "profile": setting.profile,
        "layer_um": setting.layer_um,
        "parts": one.parts,
        "layers": one.layers,
        "minutes": estimate.minutes,
        "low_minutes": None if interval is None else interval.low,
        "high_minutes": None if interval is None else interval.high,
        "n": estimate.n,
        "more_needed": estimate.more_needed,
        "basis": estimate.why,
        "method": estimate.method.name,
        "source": estimate.method.source,
    }


class LimitsView(ApiView):
    """The limits in force, each with its source."""

    required_scope = Capability.SHOP_READ
    serializer_class = shapes.LimitVersionSerializer

    @extend_schema(operation_id="limits_retrieve")
    def get(self, request: Request) -> Response:
        return Response(self.get_serializer(_limits_answer(limits_in_force())).data)


class LimitVersionView(ApiView):
    """The limits of one version, whether it is still in force or not."""

    required_scope = Capability.SHOP_READ
    serializer_class = shapes.LimitVersionSerializer

    @extend_schema(operation_id="limits_version_retrieve")
    def get(self, request: Request, version: int) -> Response:
        return Response(self.get_serializer(_limits_answer(limits_of_version(version))).data)


def _limits_answer(version: LimitVersion) -> dict[str, Any]:
    return {
        "version": version.version,
        "in_force": version.version == limits_in_force().version,
        "active_from": version.active_from,
        "note": version.note,
        "by": version.recorded_by.name if version.recorded_by else None,
        "limits": [
            {
                "name": limit.name,
                "meaning": limit.meaning,
                "value": limit.value,
                "unit": limit.unit,
                "source": limit.source,
                "version": limit.version,
            }
            for limit in limit_set(version).limits
        ],
    }


class CaseSeriesView(ApiView):
    """The aligner series of a case: one for each arch of an order line."""

    required_scope = Capability.CHECKS_READ
    serializer_class = shapes.SeriesListSerializer
    pagination_class = None

    @extend_schema(operation_id="cases_series_list", responses=shapes.SeriesListSerializer(many=True))
    def get(self, request: Request, number: int) -> Response:
        rows = [
            {
                "line": row["line"].pk,
                "arch": row["arch"],
                "round": row["line"].round,
                "stages": row["stages"],
            }
            for row in series_of_case(case_for(self.actor, number))
        ]
        return Response(self.get_serializer(rows, many=True).data)


class SeriesView(ApiView):
    """One arch of a series with every stage's check, what stands out and what changes."""

    required_scope = Capability.CHECKS_READ
    serializer_class = shapes.SeriesSerializer

    @extend_schema(operation_id="cases_series_retrieve")
    def get(self, request: Request, number: int, line_id: int, arch: str) -> Response:
        series = series_for(self.actor, number, line_id, arch)
        return Response(self.get_serializer(_series_answer(series)).data)


def _series_answer(series: Series) -> dict[str, Any]:
    return {
        "case": series.case.number,
        "line": series.line.pk,
        "arch": series.arch,
        "checked": series.checked,
        "waiting": series.waiting,
        "progress": series.progress,
        "rule": rule_words(),
        "stages": [_stage_answer(series, index) for index in series.worst_first()],
    }


def _stage_answer(series: Series, index: int) -> dict[str, Any]:
    stage = series.stages[index]
    figures = []
    for watched in WATCHED:
        point = series.trends[watched.name].points[index]
        figures.append(
            {
                "name": watched.name,
                "value": point.value,
                "expected": point.expected,
                "z": point.z,
                "change": point.change,
                "stands_out": point.stands_out,
            }
        )
    return {
        "stage": stage.number,
        "mesh": stage.mesh.pk if stage.mesh else None,
        "role": stage.mesh.role if stage.mesh else None,
        "state": stage.check.state if stage.check else None,
        "verdict": (stage.check.verdict or None) if stage.check else None,
        "stands_out": any(figure["stands_out"] for figure in figures),
        "figures": figures,
    }

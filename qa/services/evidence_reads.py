"""What is read of the records for evidence rows: each query compiled once, as every change makes them."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime
from decimal import Decimal
from typing import NamedTuple

from django.db.models import Max

from labtrack.statements import Statement
from production.choices import FitResult
from production.models import FitAnswer, Part, Piece, PieceStep, TreatedPart
from qa.models import Inspection


class PartRecord(NamedTuple):
    """A printed part with its build, preparation and appliance."""

    pk: int
    number: int
    outcome: str
    outcome_at: datetime | None
    platform_x_mm: Decimal | None
    platform_y_mm: Decimal | None
    preparation_id: int
    prepared_at: datetime
    orientation: str
    supports: bool
    hollow: bool
    build_id: int
    build_number: int
    started_at: datetime
    finished_at: datetime | None
    layer_um: int
    resin_temp_c: Decimal | None
    profile_name: str
    profile_revision: str
    tank_id: int | None
    tank: str | None
    filament_lot: str | None
    filament: str | None
    filament_colour: str | None
    filament_translucency: str | None
    printer: str
    process: str
    grade: str
    operator: str
    case_number: int
    clinic: str
    appliance_kind: str

    @property
    def is_vat(self) -> bool:
        return self.tank_id is not None


_PART_FIELDS = (
    "pk", "number", "outcome", "outcome_at", "platform_x_mm", "platform_y_mm", "preparation_id",
    "preparation__occurred_at", "preparation__orientation", "preparation__supports", "preparation__hollow",
    "build_id", "build__number", "build__started_at", "build__finished_at", "build__layer_um",
    "build__resin_temp_c", "build__profile_name", "build__profile_revision", "build__tank_id",
    "build__tank__equipment__name", "build__filament_lot__number", "build__filament_lot__material__name",
    "build__filament_lot__material__colour", "build__filament_lot__material__translucency",
    "build__printer__equipment__name", "build__printer__process", "build__printer__grade",
    "build__operator__name", "appliance__case__number", "appliance__case__clinic__name",
    "appliance__line__kind",
)  # fmt: skip


class Treated(NamedTuple):
    """A part's turn in a run, the earliest first."""

    part_id: int
    run_id: int
    step: str
    started_at: datetime


class PieceRecord(NamedTuple):
    """A piece with its appliance and, where it was formed, its cycle."""

    pk: int
    number: int
    outcome: str
    outcome_at: datetime | None
    occurred_at: datetime
    appliance_id: int
    direct_part_id: int | None
    cycle_id: int | None
    formed_part_id: int | None
    formed_at: datetime | None
    forming: int | None
    heat_s: int | None
    interval_s: int | None
    forming_machine: str | None
    sheet: str | None
    sheet_lot: str | None

    @property
    def part_id(self) -> int:
        part_id = self.formed_part_id if self.cycle_id is not None else self.direct_part_id
        assert part_id is not None
        return part_id


_PIECE_FIELDS = (
    "pk", "number", "outcome", "outcome_at", "occurred_at", "appliance_id", "part_id", "cycle_id",
    "cycle__part_id", "cycle__occurred_at", "cycle__forming", "cycle__heat_s", "cycle__interval_s",
    "cycle__batch__machine__name", "cycle__sheet_lot__material__name", "cycle__sheet_lot__number",
)  # fmt: skip


class Seen(NamedTuple):
    """One defect of one look at a thing, or a look that found none."""

    thing_id: int
    occurred_at: datetime
    kind: str | None
    origin: str | None
    found: str | None
    contamination: bool | None

    @property
    def label(self) -> str:
        """The level of a defect on its axis: kind, step of origin, step found."""
        return f"{self.kind}|{self.origin}|{self.found}"


_SEEN_FIELDS = (
    "occurred_at", "defects__kind__code", "defects__origin", "defects__found",
    "defects__kind__contamination",
)  # fmt: skip

_PARTS = Statement(
    lambda ids: (
        Part.objects.filter(pk__in=ids, build__started_at__isnull=False).order_by().values_list(*_PART_FIELDS)
    )
)
_TREATED = Statement(
    lambda ids: (
        TreatedPart.objects.filter(part_id__in=ids)
        .order_by("run__started_at", "run_id")
        .values_list("part_id", "run_id", "run__step", "run__started_at")
    )
)
_PIECES = Statement(lambda ids: Piece.objects.filter(pk__in=ids).order_by().values_list(*_PIECE_FIELDS))
_FORMED_FROM = Statement(
    lambda ids: Piece.objects.filter(cycle__part_id__in=ids).order_by().values_list(*_PIECE_FIELDS)
)
_PRINTED_AS = Statement(
    lambda ids: Piece.objects.filter(part_id__in=ids).order_by().values_list(*_PIECE_FIELDS)
)
_SEEN_ON_PARTS = Statement(
    lambda ids: Inspection.objects.filter(part_id__in=ids).order_by().values_list("part_id", *_SEEN_FIELDS)
)
_SEEN_ON_PIECES = Statement(
    lambda ids: Inspection.objects.filter(piece_id__in=ids).order_by().values_list("piece_id", *_SEEN_FIELDS)
)
_PIECE_STEPS = Statement(
    lambda ids: (
        PieceStep.objects.filter(piece_id__in=ids)
        .order_by("occurred_at", "id")
        .values_list("piece_id", "step", "occurred_at")
    )
)
_REMADE = Statement(
    lambda ids: (
        Piece.objects.filter(appliance_id__in=ids, appliance__remake__isnull=False)
        .order_by()
        .values("appliance")
        .annotate(last=Max("pk"))
        .values_list("last")
    )
)
_FIT = Statement(
    lambda ids: (
        FitAnswer.objects.filter(piece_id__in=ids)
        .order_by("occurred_at", "id")
        .values_list("piece_id", "result")
    )
)


def printed_parts(part_ids: Iterable[int]) -> list[PartRecord]:
    """Parts whose build has started: a planned build is no attempt yet."""
    return [PartRecord(*row) for row in _PARTS.rows(part_ids)]


def treated_parts(part_ids: Iterable[int]) -> dict[int, list[Treated]]:
    """Each part's runs, the earliest first."""
    found: dict[int, list[Treated]] = defaultdict(list)
    for row in _TREATED.rows(part_ids):
        found[row[0]].append(Treated(*row))
    return found


def pieces_by_id(piece_ids: Iterable[int]) -> list[PieceRecord]:
    return [PieceRecord(*row) for row in _PIECES.rows(piece_ids)]


def pieces_of_parts(part_ids: Iterable[int]) -> list[PieceRecord]:
    """Pieces formed over parts, and parts that are pieces themselves."""
    ids = list(part_ids)
    return [PieceRecord(*row) for row in (*_FORMED_FROM.rows(ids), *_PRINTED_AS.rows(ids))]


def seen_on_parts(part_ids: Iterable[int]) -> list[Seen]:
    return [Seen(*row) for row in _SEEN_ON_PARTS.rows(part_ids)]


def seen_on_pieces(piece_ids: Iterable[int]) -> list[Seen]:
    return [Seen(*row) for row in _SEEN_ON_PIECES.rows(piece_ids)]


def latest_look(seen: Iterable[Seen]) -> dict[int, datetime]:
    """When each thing was last looked at."""
    latest: dict[int, datetime] = {}
    for one in seen:
        latest[one.thing_id] = max(one.occurred_at, latest.get(one.thing_id, one.occurred_at))
    return latest


def piece_steps(piece_ids: Iterable[int]) -> dict[int, dict[str, datetime]]:
    """When each piece last went through each of its steps."""
    found: dict[int, dict[str, datetime]] = defaultdict(dict)
    for piece_id, step, moment in _PIECE_STEPS.rows(piece_ids):
        found[piece_id][step] = moment
    return found


def remade_pieces(pieces: Iterable[PieceRecord]) -> set[int]:
    """Of each appliance that was made again, its last piece: the one the remake is for."""
    return {pk for (pk,) in _REMADE.rows({piece.appliance_id for piece in pieces})}


def returned_pieces(piece_ids: Iterable[int]) -> set[int]:
    """Pieces whose latest answer from the clinic is that they do not fit."""
    latest: dict[int, str] = dict(_FIT.rows(piece_ids))  # the last of each piece stays
    return {piece_id for piece_id, result in latest.items() if result == FitResult.DOES_NOT_FIT}

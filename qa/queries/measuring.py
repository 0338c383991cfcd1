"""What was measured of parts: comparisons, caliper measurements, and the proof that covers a part."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import Prefetch, QuerySet
from django.utils import timezone

from cases.models import Case
from labtrack.errors import NotFound, Refused
from production.links import read_mark
from production.models import Part, Printer
from qa.models import CaliperMeasurement, CaliperValue, MorningProof, PrintComparison, ProofValue

PART_WITH = (
    "build__printer__equipment",
    "appliance__case__clinic",
    "appliance__line",
    "preparation__design__blob",
    "preparation__design__case",
    "preparation__prepared__blob",
)


def part_of_mark(text: str) -> Part:
    """The part of a mark such as P-000123. Raises ``Refused`` for no mark, ``NotFound`` for no part."""
    mark = read_mark(text)
    if mark is None or mark[0] != "P":
        raise Refused("mark-unreadable", "That is no mark of a part. It looks like P-000123.", field="mark")
    return part_of_number(mark[1])


def part_of_number(number: int) -> Part:
    part = Part.objects.select_related(*PART_WITH).filter(number=number).first()
    if part is None:
        raise NotFound(f"There is no part P-{number:06d}.")
    return part


def comparisons() -> QuerySet[PrintComparison]:
    """Comparisons with what their lines show, the latest first."""
    return PrintComparison.objects.select_related(
        "part__appliance__case", "part__appliance__line", "scan", "job", "pictures_job", "by", "device"
    ).order_by("-pk")


def comparison_for(pk: int) -> PrintComparison:
    """One comparison with its whole result, or ``NotFound``."""
    parts = [f"part__{name}" for name in PART_WITH]
    row = (
        PrintComparison.objects.defer(None)
        .select_related(
            "scan__blob", "scan__case", "reference__blob", "reference__case", "landmarks", "limits",
            "job", "pictures_job", "device", "by", "preview", "picture", *parts,
        )
        .filter(pk=pk)
        .first()
    )  # fmt: skip
    if row is None:
        raise NotFound("There is no such comparison.")
    return row


def comparisons_of_case(case: Case) -> QuerySet[PrintComparison]:
    return comparisons().filter(part__appliance__case=case)


def calipers_of(part: Part) -> QuerySet[CaliperMeasurement]:
    """Hand measurements of a part with their values, the latest first."""
    return (
        CaliperMeasurement.objects.filter(part=part)
        .select_related("device", "by", "landmarks")
        .prefetch_related(Prefetch("values", CaliperValue.objects.order_by("pk")))
    )


def proofs(printer: Printer | None = None) -> QuerySet[MorningProof]:
    """Check blocks with their sides, the latest first."""
    rows = MorningProof.objects.select_related("printer__equipment", "device", "by").prefetch_related(
        Prefetch("values", ProofValue.objects.order_by("side"))
    )
    return rows.filter(printer=printer) if printer is not None else rows


@dataclass(frozen=True)
class Cover:
    """Which proof covers a part: the printer's last one of the day before its build started, or else the
    first one after it."""

    proof: MorningProof | None
    printer: Printer
    day: date
    before_build: bool

    @property
    def sentence(self) -> str:
        if self.proof is None:
            return f"No check block of {self.printer} was measured on {self.day:%d %b %Y}."
        when = timezone.localtime(self.proof.occurred_at)
        order = "before the build started" if self.before_build else "after the build had started"
        return f"Check block of {self.printer}, measured on {when:%d %b %Y at %H:%M}, {order}."


def proof_covering(part: Part) -> Cover | None:
    """None for a part whose build has not started."""
    start = part.build.started_at
    if start is None:
        return None
    day = timezone.localdate(start)
    of_day = list(proofs(part.build.printer).filter(day=day).order_by("occurred_at", "pk"))
    before = [proof for proof in of_day if proof.occurred_at <= start]
    chosen = before[-1] if before else (of_day[0] if of_day else None)
    return Cover(chosen, part.build.printer, day, before_build=bool(before))


def last_nominals(printer: Printer) -> dict[str, str]:
    """The block's nominal lengths by side, as they were last stated for this printer."""
    last = proofs(printer).order_by("-occurred_at", "-pk").first()
    return {value.side: f"{value.nominal_mm.normalize():f}" for value in last.values.all()} if last else {}


def without_proof_today(printers: Sequence[Printer], today: date) -> list[Printer]:
    """Printers whose check block was not measured yet today."""
    done = set(MorningProof.objects.filter(day=today).values_list("printer_id", flat=True))
    return [printer for printer in printers if printer.pk not in done]

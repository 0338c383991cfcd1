"""What a case's release page and the home page show."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Exists, OuterRef, QuerySet

from cases.models import Case
from production.choices import Outcome
from production.models import Piece
from qa.models import Release, ReleasedPiece
from qa.queries.gate import PieceGate, gates_of


@dataclass(frozen=True)
class PieceState:
    """A piece of a case: its gate, or the release it stands in."""

    piece: Piece
    gate: PieceGate | None
    release: Release | None

    @property
    def lost(self) -> bool:
        return self.piece.outcome == Outcome.SCRAPPED


def pieces_of_case(case: Case) -> list[PieceState]:
    """Every piece of the case; the gate is judged for those that are not released."""
    pieces = list(
        Piece.objects.filter(appliance__case=case)
        .select_related("appliance__case", "appliance__line", "appliance__remake")
        .order_by("appliance__arch", "appliance__stage", "number")
    )
    standing = {
        row.piece_id: row.release
        for row in ReleasedPiece.objects.filter(piece__in=pieces, standing=True).select_related(
            "release__signed_by"
        )
    }
    gates = {
        gate.piece.pk: gate for gate in gates_of([piece for piece in pieces if piece.pk not in standing])
    }
    return [PieceState(piece, gates.get(piece.pk), standing.get(piece.pk)) for piece in pieces]


def releases_of_case(case: Case) -> Sequence[Release]:
    return list(
        case.releases.select_related("signed_by", "withdrawal__signed_by").prefetch_related("released__piece")
    )


def cases_ready_to_release() -> QuerySet[Case]:
    """Cases with good pieces that no release names yet, the most urgent first."""
    unreleased = Piece.objects.filter(
        appliance__case=OuterRef("pk"), outcome=Outcome.GOOD, appliance__cancelled_at__isnull=True
    ).exclude(released__standing=True)
    return (
        Case.objects.filter(Exists(unreleased), voided_at__isnull=True)
        .select_related("clinic")
        .order_by("ship_by", "number")
    )

"""Pieces on their way out, made through the use cases."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from production.models import Piece
from production.services.outcomes import PieceResult, record_piece_outcomes
from production.services.pieces import record_piece_steps
from qa.services.inspections import Look, record_inspection
from qa.services.release import release_pieces, sign
from tests.conftest import PASSWORD


def finished_piece(shop: Any, at: datetime | None = None) -> Piece:
    """Formed, trimmed, disinfected and inspected: its gate is open."""
    piece: Piece = shop.piece(at)
    for step in ("trim", "finish", "disinfect"):
        record_piece_steps(actor=shop.tech, step=step, piece_ids=[piece.pk])
    record_inspection(actor=shop.tech, step="finish", look=Look(piece_id=piece.pk, verdict="pass"))
    piece.refresh_from_db()
    return piece


def direct_piece(shop: Any, *, tank: Any, printer: Any, bath: Any, tissue: str = "mucosa") -> Piece:
    """A drill guide printed directly, washed, cured, disinfected and inspected."""
    from production.services.pieces import make_pieces_from_parts

    appliance = shop.appliance(kind="drill-guide", tissue=tissue, direct=True)
    part = shop.printed(appliances=[appliance], tank=tank, printer=printer).parts.get()
    shop.treat("wash", [part], shop.at(0, hours=3), equipment_id=bath.pk, program="two baths")
    shop.treat("cure", [part], shop.at(0, hours=4), program="warm")
    piece = make_pieces_from_parts(actor=shop.tech, part_ids=[part.pk], occurred_at=shop.at(0, hours=5))[0]
    record_piece_steps(actor=shop.tech, step="disinfect", piece_ids=[piece.pk])
    record_inspection(actor=shop.tech, step="finish", look=Look(piece_id=piece.pk, verdict="pass"))
    record_piece_outcomes(actor=shop.tech, results=[PieceResult(piece.pk, "good")])
    piece.refresh_from_db()
    return piece


def release(actors: Any, piece: Piece, *, key: str = "") -> Any:
    return release_pieces(
        actor=actors.quality,
        key=key,
        case_number=piece.appliance.case.number,
        piece_ids=[piece.pk],
        signature=sign(actor=actors.quality, password=PASSWORD),
    )


def released_piece(shop: Any, actors: Any) -> Piece:
    piece = finished_piece(shop)
    release(actors, piece)
    return piece

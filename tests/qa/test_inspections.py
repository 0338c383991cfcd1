"""Recording what was seen: of one thing or many, all or nothing, with photos that hold only pixels."""

from __future__ import annotations

import io
from typing import Any

import pytest
from PIL import Image

from cases.services.file_store import blob_path
from labtrack.errors import NotAllowed, NotFound, Refused
from qa.models import Defect, DefectKind, Inspection
from qa.queries.inspections import inspected_steps
from qa.services.inspections import FoundDefect, Look, record_inspection, record_inspections
from qa.services.photos import clean_photo
from qa.teeth import chart_rows, is_fdi, tooth

pytestmark = pytest.mark.django_db


def picture(form: str = "PNG", size: tuple[int, int] = (60, 40), **save: Any) -> bytes:
    target = io.BytesIO()
    Image.new("RGB", size, (200, 30, 30)).save(target, form, **save)
    return target.getvalue()


def test_the_vocabulary_is_seeded_with_origins_and_the_list_of_a_dirty_tank() -> None:
    assert DefectKind.objects.count() >= 45
    dirty = set(DefectKind.objects.filter(contamination=True).values_list("code", flat=True))
    assert dirty == {"debris-pit", "stuck-flake", "cured-speck"}
    assert not DefectKind.objects.filter(usual_origin="").exists()
    assert DefectKind.objects.filter(scope="piece").count() >= 15


def test_a_pass_makes_the_part_good(shop: Any) -> None:
    part = shop.printed(outcome="rework").parts.get()
    record_inspection(actor=shop.tech, step="inspect", look=Look(part_id=part.pk, verdict="pass"))
    assert inspected_steps() == ("inspect",)
    part.refresh_from_db()
    assert part.outcome == "good"


def test_defects_keep_kind_origin_found_severity_and_tooth(shop: Any) -> None:
    part = shop.printed().parts.get()
    record_inspection(
        actor=shop.tech,
        step="inspect",
        look=Look(
            part_id=part.pk,
            verdict="fail",
            outcome="scrapped",
            defects=[
                FoundDefect("stuck-flake", severity="critical", tooth=16, photo=picture("JPEG")),
                FoundDefect("warped", origin="cure", note="left side"),
            ],
        ),
    )
    flake, warp = Defect.objects.order_by("id")
    assert (flake.origin, flake.found, flake.severity, flake.tooth) == (
        "equipment",
        "inspect",
        "critical",
        16,
    )
    assert (warp.origin, warp.note, warp.photo) == ("cure", "left side", None)
    assert flake.photo is not None and blob_path(flake.photo).read_bytes() == picture("JPEG")
    part.refresh_from_db()
    assert part.outcome == "scrapped"


def test_many_parts_at_once_are_all_recorded_or_none(shop: Any) -> None:
    parts = list(shop.printed(4).parts.all())
    looks = [Look(part_id=part.pk, verdict="pass") for part in parts]
    made = record_inspections(actor=shop.tech, key="once", step="inspect", looks=looks)
    assert len(made) == 4
    assert [
        row.pk for row in record_inspections(actor=shop.tech, key="once", step="inspect", looks=looks)
    ] == [row.pk for row in made]
    assert Inspection.objects.count() == 4
    with pytest.raises(NotFound):
        record_inspections(
            actor=shop.tech, step="inspect", looks=[*looks, Look(part_id=99_999, verdict="pass")]
        )
    assert Inspection.objects.count() == 4


@pytest.mark.parametrize(
    ("look", "code"),
    [
        ({"verdict": "perfect"}, "verdict-unknown"),
        ({"verdict": "fail"}, "fail-needs-outcome"),
        ({"verdict": "fail", "outcome": "good"}, "fail-needs-outcome"),
        ({"verdict": "fail", "outcome": "rework"}, "fail-needs-reason"),
        ({"verdict": "pass", "outcome": "lovely"}, "outcome-unknown"),
        ({"verdict": "pass", "defects": [FoundDefect("warped", severity="critical")]}, "critical-passes"),
        ({"verdict": "review", "defects": [FoundDefect("no-such-kind")]}, "kind-unknown"),
        ({"verdict": "review", "defects": [FoundDefect("web")]}, "kind-of-piece"),
        ({"verdict": "review", "defects": [FoundDefect("warped", tooth=19)]}, "tooth-unknown"),
        ({"verdict": "review", "defects": [FoundDefect("warped", origin="moon")]}, "origin-unknown"),
        ({"verdict": "review", "defects": [FoundDefect("warped", severity="awful")]}, "severity-unknown"),
    ],
)
def test_what_cannot_be_is_refused_with_a_sentence(shop: Any, look: dict[str, Any], code: str) -> None:
    part = shop.printed().parts.get()
    with pytest.raises(Refused) as refusal:
        record_inspection(actor=shop.tech, step="inspect", look=Look(part_id=part.pk, **look))
    assert refusal.value.code == code and refusal.value.sentence.endswith(".")
    assert not Inspection.objects.exists()


def test_a_part_is_inspected_after_it_was_printed(shop: Any) -> None:
    part = shop.printed(at=shop.at(10)).parts.get()
    with pytest.raises(Refused):
        record_inspection(
            actor=shop.tech,
            step="inspect",
            look=Look(part_id=part.pk, verdict="pass"),
            occurred_at=shop.at(9),
        )


def test_clinic_staff_do_not_inspect(shop: Any, actors: Any) -> None:
    part = shop.printed().parts.get()
    with pytest.raises(NotAllowed):
        record_inspection(actor=actors.clinic, step="inspect", look=Look(part_id=part.pk, verdict="pass"))


@pytest.mark.parametrize("form", ["PNG", "JPEG", "WEBP"])
def test_photos_are_encoded_again_without_what_the_camera_wrote(form: str) -> None:
    exif = Image.Exif()
    exif[0x010F] = "Secret camera"
    content = picture(form, exif=exif)
    assert b"Secret camera" in content
    cleaned = clean_photo(io.BytesIO(content), size_bytes=len(content))
    assert b"Secret camera" not in cleaned and cleaned[:2] == b"\xff\xd8"


def test_large_photos_are_made_smaller() -> None:
    content = picture("JPEG", (4200, 900))
    cleaned = clean_photo(io.BytesIO(content), size_bytes=len(content))
    assert Image.open(io.BytesIO(cleaned)).size == (2000, 429)


@pytest.mark.parametrize(
    ("content", "code"),
    [
        (b"solid not a picture", "photo-unknown"),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "photo-unknown"),
        (picture("GIF"), "photo-unknown"),
        (picture("PNG", (900, 900))[:400], "photo-broken"),
        (picture("PNG", (9000, 7000)), "photo-too-many-pixels"),
    ],
)
def test_hostile_photos_are_named(content: bytes, code: str) -> None:
    with pytest.raises(Refused) as refusal:
        clean_photo(io.BytesIO(content), size_bytes=len(content))
    assert refusal.value.code == code


def test_too_many_bytes_are_refused_before_they_are_decoded(settings: Any) -> None:
    with pytest.raises(Refused) as refusal:
        clean_photo(io.BytesIO(b""), size_bytes=settings.PHOTO_UPLOAD_LIMIT_BYTES + 1)
    assert refusal.value.code == "photo-too-large"


def test_tooth_numbers_agree_with_the_standard_chart() -> None:
    # ISO 3950: quadrants 1 to 4 clockwise from the patient's upper right, teeth 1 to 8 from the midline.
    # Universal numbers: 1 at the upper right third molar, 16 upper left, 17 lower left, 32 lower right.
    expected = {18: "1", 11: "8", 21: "9", 28: "16", 38: "17", 31: "24", 41: "25", 48: "32", 55: "A", 85: "T"}
    assert {number: tooth(number, "universal").own for number in expected} == expected
    assert tooth(16).name == "upper right first molar" and tooth(16).own == ""
    assert tooth(36, "palmer").own == "LL6" and tooth(75, "palmer").own == "LLE"
    assert tooth(63).name == "upper left deciduous canine"
    assert [len(row) for row in chart_rows()] == [16, 16]
    assert sum(is_fdi(number) for number in range(100)) == 32 + 20
    with pytest.raises(ValueError):
        tooth(56)

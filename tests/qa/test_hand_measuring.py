"""Landmarks, calipers, check blocks, and what they say of printers together with scans."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from django.utils import timezone

from labtrack.errors import NotAllowed, Refused
from production.models import Part, Printer
from production.services.equipment import record_event
from qa.models import CaliperMeasurement, CaliperValue, LandmarkSheet, MorningProof, PrintComparison
from qa.proof_charts import proof_charts
from qa.queries.devices import uncertainty_of
from qa.queries.limits import limits_in_force
from qa.queries.measuring import part_of_mark, proof_covering, proofs
from qa.queries.repeats import RepeatsAsked, distance_names, read_repeats
from qa.queries.tally import Range
from qa.repeats_chart import repeats_chart
from qa.services.calipers import measure_by_caliper
from qa.services.landmarks import place_landmarks, sheet_in_force, sheet_text
from qa.services.proofs import SideLength, prove_printer
from tests.qa.prints import attached, compared, design_mesh, marks_text, printed_part, scan_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def part(shop: Any) -> Part:
    return printed_part(shop)


@pytest.fixture
def sheet(shop: Any, part: Part) -> LandmarkSheet:
    return place_landmarks(
        actor=shop.tech, key="", mesh_id=part.preparation.design_id, text=marks_text(design_mesh())
    ).thing


def planned(sheet: LandmarkSheet) -> float:
    return float(sheet.content["distances"][0]["design_mm"])


# Landmarks


def test_landmarks_are_put_on_the_surface_and_carry_the_designs_lengths(sheet: LandmarkSheet) -> None:
    assert sheet.version == 1 and [one["name"] for one in sheet.content["landmarks"]] == ["A", "B"]
    a, b = (one["at_mm"] for one in sheet.content["landmarks"])
    straight = sum((x - y) ** 2 for x, y in zip(a, b, strict=True)) ** 0.5
    assert planned(sheet) == pytest.approx(straight, abs=1e-3)


def test_a_new_list_is_a_new_version_and_the_old_one_stays(shop: Any, sheet: LandmarkSheet) -> None:
    text = sheet_text(sheet.content).replace("span", "inter-canine")
    again = place_landmarks(actor=shop.tech, key="", mesh_id=sheet.mesh_id, text=text, based_on=1).thing
    assert again.version == 2 and LandmarkSheet.objects.count() == 2
    assert sheet_in_force(sheet.mesh) == again
    with pytest.raises(Refused, match="meanwhile"):
        place_landmarks(actor=shop.tech, key="", mesh_id=sheet.mesh_id, text=text, based_on=1)


def test_the_same_file_elsewhere_in_the_clinic_has_the_same_landmarks(
    shop: Any, sheet: LandmarkSheet
) -> None:
    other = attached(shop, shop.appliance(stage=1), design_mesh())
    assert other.pk != sheet.mesh_id and sheet_in_force(other) == sheet


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "at least one place"),
        ("name,x_mm,y_mm,z_mm\nA,1,2", "three numbers"),
        ("name,x_mm,y_mm,z_mm\nA,nan,0,0", "three numbers"),
        ("name,x_mm,y_mm,z_mm\nA,900,0,0", "mm off the design"),
        ("name,x_mm,y_mm,z_mm\nA,1,2,3\nA,1,2,3", "given twice"),
        ("A,1,2,3", "first line must be the header"),
        ("name,x_mm,y_mm,z_mm\n" + "A" * 70 + ",0,0,0", "up to 60 characters"),
        ("x" * 30_000, "longer than 20,000"),
        ("name,x_mm,y_mm,z_mm\n=1+1,0,0,0", "taken for a formula"),
        ("name,x_mm,y_mm,z_mm\nA,0,0,0\nB,1,1,1\ndistance,from,to\n@width,A,B", "taken for a formula"),
    ],
)
def test_a_list_that_cannot_be_used_is_refused_with_its_reason(
    shop: Any, part: Part, text: str, said: str
) -> None:
    with pytest.raises(Refused, match=said):
        place_landmarks(actor=shop.tech, key="", mesh_id=part.preparation.design_id, text=text)
    assert not LandmarkSheet.objects.exists()


# Devices


def test_an_unstudied_device_is_assumed_and_says_so_and_a_study_counts_from_its_date(shop: Any) -> None:
    caliper = shop.machine("cal-1", "caliper")
    known = uncertainty_of(caliper, "caliper", timezone.now())
    assert not known.studied and "No device study yet" in known.sentence
    record_event(
        actor=shop.tech,
        equipment_id=caliper.pk,
        kind="studied",
        value=Decimal("0.03"),
        occurred_at=shop.at(5),
    )
    assert not uncertainty_of(caliper, "caliper", shop.at(4)).studied
    known = uncertainty_of(caliper, "caliper", shop.at(6))
    assert (known.uncertainty_mm, known.changed_at) == (0.03, None)
    record_event(actor=shop.tech, equipment_id=caliper.pk, kind="repaired", occurred_at=shop.at(7))
    assert "study it again" in uncertainty_of(caliper, "caliper", shop.at(8)).sentence


# Calipers


@pytest.mark.parametrize(
    ("error_mm", "verdict"), [("0.100", "pass"), ("0.230", "unknown"), ("0.400", "fail"), ("-0.400", "fail")]
)
def test_a_length_is_judged_with_the_guard_band_of_iso_14253_1(
    shop: Any, part: Part, sheet: LandmarkSheet, error_mm: str, verdict: str
) -> None:
    # Limit 0.25 mm, assumed uncertainty 0.05 mm: proven good up to 0.20, proven bad above 0.30.
    measured = Decimal(str(round(planned(sheet), 3))) + Decimal(error_mm)
    row = measure_by_caliper(actor=shop.tech, key="k", part=part, measured={"span": measured}).thing
    value = row.values.get()
    assert (row.verdict, value.verdict, row.uncertainty_studied) == (verdict, verdict, False)
    assert value.error_mm == pytest.approx(float(error_mm), abs=0.001)
    again = measure_by_caliper(actor=shop.tech, key="k", part=part, measured={"span": measured})
    assert again.repeated and CaliperMeasurement.objects.count() == 1


@pytest.mark.parametrize(
    ("measured", "said"),
    [
        ({}, "at least one length"),
        ({"span": "0"}, "above 0"),
        ({"span": "NaN"}, "above 0"),
        ({"span": "x"}, "above 0"),
        ({"other": "3"}, "no distance"),
    ],
)
def test_what_is_no_length_is_refused(
    shop: Any, part: Part, sheet: LandmarkSheet, measured: dict[str, str], said: str
) -> None:
    with pytest.raises(Refused, match=said):
        measure_by_caliper(actor=shop.tech, key="", part=part, measured=measured)
    assert not CaliperMeasurement.objects.exists()


def test_a_design_without_distances_says_so(shop: Any, part: Part, actors: Any) -> None:
    with pytest.raises(Refused, match="Mark its landmarks"):
        measure_by_caliper(actor=shop.tech, key="", part=part, measured={"span": "3"})
    with pytest.raises(NotAllowed):
        measure_by_caliper(actor=actors.clinic, key="", part=part, measured={"span": "3"})


# Check blocks


def block(shop: Any, at: Any, x: str = "20.02", **more: Any) -> MorningProof:
    return prove_printer(
        actor=shop.tech,
        key="",
        printer=Printer.objects.get(equipment=shop.printer),
        sides=[SideLength("x", "20", x), SideLength("z", "10", "10.01")],
        occurred_at=at,
        **more,
    ).thing


def test_a_check_block_is_judged_by_its_worst_side(shop: Any) -> None:
    # Limit 0.10 mm, assumed uncertainty 0.05 mm.
    assert block(shop, shop.at(1)).verdict == "pass"
    assert block(shop, shop.at(2), x="20.09").verdict == "unknown"
    proof = block(shop, shop.at(3), x="20.16")
    assert proof.verdict == "fail" and proof.limits == limits_in_force()
    assert [value.verdict for value in proof.values.order_by("side")] == ["fail", "pass"]


@pytest.mark.parametrize(
    "sides", [[], [SideLength("x", 20, 20), SideLength("x", 20, 20)], [SideLength("x", 20, -1)]]
)
def test_a_block_without_usable_sides_is_refused(shop: Any, sides: list[SideLength]) -> None:
    with pytest.raises(Refused):
        prove_printer(
            actor=shop.tech, key="", printer=Printer.objects.get(equipment=shop.printer), sides=sides
        )
    assert not MorningProof.objects.exists()


def test_a_part_is_covered_by_the_last_block_of_its_day_before_the_build(shop: Any, part: Part) -> None:
    cover = proof_covering(part)
    assert cover is not None and cover.proof is None and "No check block" in cover.sentence
    start = part.build.started_at
    assert start is not None
    later = block(shop, start + timedelta(minutes=30))
    cover = proof_covering(part)
    assert cover is not None and cover.proof == later and "after the build had started" in cover.sentence
    block(shop, start - timedelta(minutes=50))
    before = block(shop, start - timedelta(minutes=20))
    block(shop, start - timedelta(days=1))
    cover = proof_covering(part)
    assert cover is not None and cover.proof == before and "before the build" in cover.sentence


def test_charts_show_a_shift_and_their_numbers(shop: Any) -> None:
    printer = Printer.objects.get(equipment=shop.printer)
    for day in range(20):
        block(shop, shop.at(day), x=str(20 + (day % 3 - 1) * 0.03))
    block(shop, shop.at(21), x="20.30")
    charts = proof_charts(printer, list(proofs(printer)))
    assert [one.values.name for one in charts] == ["proof-x", "proof-z"]
    assert "1 of 21 points signal" in charts[0].sentence
    assert len(charts[0].values.rows) == 21 and len(charts[0].ranges.rows) == 20


def test_a_small_lasting_shift_shows_as_drift_and_against_the_tolerance(shop: Any) -> None:
    printer = Printer.objects.get(equipment=shop.printer)
    errors = [(day % 3 - 1) * 0.01 + (0.014 if day >= 15 else 0.0) for day in range(30)]
    for day, error in enumerate(errors):
        block(shop, shop.at(day), x=f"{20 + error:.3f}")
    side = proof_charts(printer, list(proofs(printer)))[0]
    assert "lasting shift" in side.drift_sentence and len(side.drift.rows) == 30
    # ISO 22514-2, by hand: the nearer limit less the mean, over three standard deviations.
    shown = np.array([round(error, 3) for error in errors])
    ppk = (0.1 - abs(shown.mean())) / (3 * shown.std(ddof=1))
    assert f"Ppk {ppk:.2f}" in side.capable and "Capable of holding the tolerance" in side.capable
    assert "ISO 22514-2" in side.capable_method


def test_few_blocks_cannot_tell_whether_a_printer_is_able(shop: Any) -> None:
    printer = Printer.objects.get(equipment=shop.printer)
    for day in range(3):
        block(shop, shop.at(day), x=f"20.0{day}")
    side = proof_charts(printer, list(proofs(printer)))[0]
    assert side.capable.startswith("Cannot tell yet whether it is capable") and side.capable_method == ""


# Trueness and precision


def _figures(shop: Any, part: Part, means: list[float]) -> list[Part]:
    """Accepted comparisons of further parts of the part's design, one per mean deviation."""
    scan = compared(shop.tech, part, scan_of(design_mesh()))
    made = []
    for mean in means:
        other = shop.printed(appliances=[part.appliance], at=shop.at(3 + len(made))).parts.get()
        scan.pk, scan.part, scan.key = None, other, f"{mean}{len(made)}"
        scan.state, scan.verdict, scan.identity, scan.accepted = "done", "pass", "this", True
        scan.counts = True
        scan.finished_at, scan.mean_mm, scan.p95_abs_mm = timezone.now(), mean, 0.1
        scan.save()
        made.append(other)
    return made


def test_bias_and_spread_of_prints_are_told_by_printer_with_intervals(shop: Any, part: Part) -> None:
    _figures(shop, part, [0.02, 0.04, 0.06])
    found = read_repeats(RepeatsAsked("bias", "printer", Range.last(90)))
    group = found.repeats.groups[0]
    assert (group.name, group.n) == ("Printer 1", 3)
    # Mean 0.04 mm and SD 0.02 mm; the interval of the mean is t(2) = 4.303 times 0.02 / sqrt(3).
    assert group.bias_mm == pytest.approx(0.04) and group.sd_mm == pytest.approx(0.02)
    assert group.bias_ci95_mm[1] - group.bias_mm == pytest.approx(4.3027 * 0.02 / 3**0.5, rel=1e-4)
    row = repeats_chart(found).rows[0]
    assert row[:3] == ["Printer 1", 3, 0.04] and "9 more would settle" in row[-1]


def test_a_scan_that_is_not_of_the_design_counts_for_nothing(shop: Any, part: Part) -> None:
    _figures(shop, part, [0.02])
    PrintComparison.objects.filter(state="done").update(identity="other", accepted=False, counts=False)
    assert read_repeats(RepeatsAsked("bias", "printer", Range.last(90))).figures == []


def test_calipers_and_scans_feed_one_series_and_a_part_counts_once(
    shop: Any, part: Part, sheet: LandmarkSheet
) -> None:
    for error in ("0.10", "0.12"):
        length = Decimal(str(round(planned(sheet), 3))) + Decimal(error)
        measure_by_caliper(actor=shop.tech, key="", part=part, measured={"span": length})
    assert CaliperValue.objects.count() == 2
    days = Range.last(90)
    assert distance_names(days) == ["span"]
    figures = read_repeats(RepeatsAsked("span", "all", days)).figures
    assert [(one.source, round(one.value_mm, 2)) for one in figures] == [("caliper", 0.12)]


def test_the_place_on_the_platform_is_told_by_thirds_of_each_side(shop: Any, part: Part) -> None:
    # The platform is 200 x 120 mm and the part lies 60 mm to the right of its centre.
    length = {"span": Decimal(str(round(_place(shop, part), 3)))}
    measure_by_caliper(actor=shop.tech, key="", part=part, measured=length)
    found = read_repeats(RepeatsAsked("span", "place", Range.last(90)))
    assert found.levels == {part.pk: "middle right"}


def _place(shop: Any, part: Part) -> float:
    text = marks_text(design_mesh())
    return planned(
        place_landmarks(actor=shop.tech, key="", mesh_id=part.preparation.design_id, text=text).thing
    )


@pytest.mark.parametrize("form", ["{}", "*{}*", " {} "])
def test_a_scanners_stars_around_a_mark_are_no_part_of_it(shop: Any, part: Part, form: str) -> None:
    assert part_of_mark(form.format(part.mark)) == part
    assert part_of_mark(form.format(part.mark.lower().replace("-", " "))) == part

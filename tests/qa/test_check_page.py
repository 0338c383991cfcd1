"""What the page of a check adds to the engine: maps, what moved, what preparation changed, resin, time."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from django.urls import reverse

from fixtures.meshes.solids import bowl, box, box_with_cavity, revolved, tilted_slab, turned
from fixtures.meshes.writers import write_stl
from labtrack.jobs.services.run import run_job
from production.services import outcomes
from qa.geometry.maps import MapPack
from qa.geometry.preview import Preview
from qa.models import MeshCheck
from qa.queries.check_keys import current_checks, is_current
from qa.queries.check_request import engine_request, request_of, shop_of_printers
from qa.queries.checks import compare_checks, moved_since_before
from qa.queries.prepared import prepared_change, prepared_of, scale_percent
from qa.queries.print_time import build_estimate, build_histories, exposed_cm2, mesh_times, words_of
from qa.queries.resin import resin_needs
from qa.services.checks import check_again
from qa.services.limits import change_limits
from qa.statistics.print_time import LEAST_BUILDS

pytestmark = pytest.mark.django_db


def done(mesh: Any) -> MeshCheck:
    check = mesh.checks.order_by("-pk").first()
    assert run_job(check.job_id) == "done"
    check.refresh_from_db()
    return MeshCheck.objects.get(pk=check.pk)


@pytest.fixture
def slab(attach: Callable[..., Any]) -> MeshCheck:
    """A slab tilted by some degrees: it does not stand flat, and it faces down."""
    return done(attach(write_stl(turned(box(30.0, 20.0, 6.0).mesh, (0.0, 1.0, 0.0), 15.0))))


# Maps ---------------------------------------------------------------------------------------------


def test_a_check_keeps_its_maps_on_the_preview(slab: MeshCheck, client_of: Any, people: Any) -> None:
    names = [one["name"] for one in slab.maps]
    assert "overhang" in names and slab.map_values is not None
    client = client_of(people.clinic)
    preview = Preview.from_bytes(client.get(reverse("qa:preview", args=[slab.mesh_id])).content)
    answer = client.get(reverse("qa:map", args=[slab.mesh_id, "overhang"]))
    pack = MapPack.from_bytes(answer.content)
    assert pack.names == ["overhang"] and len(pack.values[0]) == len(preview.vertices)
    assert np.nanmin(pack.values[0]) == pytest.approx(15.0, abs=0.01)
    assert client.get(reverse("qa:map", args=[slab.mesh_id, "no-such"])).status_code == 404


def test_the_page_lists_the_worst_places_and_offers_the_better_rotation(
    slab: MeshCheck, client_of: Any, people: Any
) -> None:
    shown = client_of(people.clinic).get(reverse("qa:check", args=[slab.mesh_id])).content.decode()
    assert "Surfaces facing down: worst places" in shown and 'id="viewer-settings"' in shown
    assert "Turned by 15.0° it stands on a flat face of" in shown
    assert " more layers (" in shown and "of it working surface" in shown


def test_the_page_shows_how_a_sheet_goes_over_a_model(
    attach: Callable[..., Any], case: Any, actors: Any, client_of: Any, people: Any
) -> None:
    """A disc of radius 21 on a stem of 15: 6 mm under the rim lock a hard sheet of 2 mm."""
    line = case.lines.get()
    line.sheet_wish, line.sheet_mm = "petg", Decimal("2.0")
    line.save()
    profile = np.array([[0, 0], [15, 0], [15, 8], [21, 8], [21, 11], [0, 11]], dtype=float)
    mesh = attach(write_stl(revolved(profile).mesh))
    mesh.appliance = case.appliances.get()
    mesh.save()
    check_again(actor=actors.clinic, mesh=mesh)
    check = done(mesh)
    assert check.figures["undercut_max_mm"] == pytest.approx(6.0, abs=0.01)
    assert "undercut" in [one["name"] for one in check.maps]
    shown = client_of(people.clinic).get(reverse("qa:check", args=[mesh.pk])).content.decode()
    assert "too deep for a 2 mm petg sheet, which would lock or tear" in shown
    assert 'id="group-forming"' in shown
    for words in ("Areal draw ratio", "Sheet left on average", "Forming axis", "Room in the frame"):
        assert words in shown
    assert "Undercut along the forming axis" in shown
    # Nobody asked about another way off, so nothing is said about it.
    assert "insertion axis" not in shown


def test_the_page_shows_the_walls_of_a_hollow_model(
    attach: Callable[..., Any], client_of: Any, people: Any
) -> None:
    """A box of 20 mm round a cavity of 17: 1.5 mm of wall, which the limit of 2 questions."""
    check = done(attach(write_stl(box_with_cavity(20.0, 1.5).mesh)))
    assert check.figures["wall_min_mm"] == pytest.approx(1.5, abs=1e-5)
    shown = client_of(people.clinic).get(reverse("qa:check", args=[check.mesh_id])).content.decode()
    assert 'id="group-walls"' in shown and "The wall is 1.50 mm at its thinnest" in shown
    for words in ("Thinnest wall", "Surface with too thin a wall", "Wall: worst places"):
        assert words in shown
    answer = client_of(people.clinic).get(reverse("qa:map", args=[check.mesh_id, "wall"]))
    values = MapPack.from_bytes(answer.content).values[0]
    assert np.nanmin(values) == pytest.approx(1.5, abs=1e-4)


def test_the_page_shows_what_is_inside_and_where_it_seals(
    attach: Callable[..., Any], client_of: Any, people: Any
) -> None:
    """A bowl that opens toward the film seals at its floor, 2 mm over the platform."""
    check = done(attach(write_stl(bowl().mesh)))
    assert check.figures["suction_from_mm"] == pytest.approx(2.0, abs=1e-5)
    assert check.profile["suction_heights_mm"] == pytest.approx([2.0], abs=1e-5)
    client = client_of(people.clinic)
    shown = client.get(reverse("qa:check", args=[check.mesh_id])).content.decode()
    assert 'id="group-inside"' in shown and "From 2.00 mm up, 2.5" in shown
    for words in ("Kind of vat", "bottom-up", "Narrowest way out", "Suction pockets: worst places"):
        assert words in shown
    answer = client.get(reverse("qa:check-profile", args=[check.mesh_id]))
    rows = b"".join(answer.streaming_content).decode().splitlines()
    sealing = [row.split(",") for row in rows[1:] if row.split(",")[3] == "1"]
    assert len(sealing) == 1 and float(sealing[0][0]) == pytest.approx(2.0, abs=0.05)
    for name in ("cavity", "suction"):
        pack = MapPack.from_bytes(client.get(reverse("qa:map", args=[check.mesh_id, name])).content)
        assert np.isfinite(pack.values[0]).any()


# What moved ---------------------------------------------------------------------------------------


def test_new_limits_say_what_moved_and_keep_the_old_result(
    slab: MeshCheck, actors: Any, client_of: Any, people: Any
) -> None:
    assert moved_since_before(slab) is None
    change_limits(
        actor=actors.manager,
        key="",
        based_on=1,
        values={"overhang_angle": 10.0, "layer_step_max": 0.001},
        source="own trial of 3 May",
        note="to see",
    )
    assert not is_current(slab)
    check_again(actor=actors.clinic, mesh=slab.mesh)
    new = done(slab.mesh)
    moved = moved_since_before(new)
    assert moved is not None and not moved.nothing
    step = next(row for row in moved.verdicts if row.name == "layer_step")
    assert (step.before, step.after) == ("pass", "review")
    limit = next(row for row in moved.limits if row.name == "layer_step")
    assert limit.before.startswith("6 cm2, version 1") and limit.after.startswith("0.001 cm2, version 2")
    area = next(row for row in moved.figures if row.name == "overhang_cm2")
    assert (area.after, area.unit) == ("0", "cm²") and area.change.startswith("−")
    assert MeshCheck.objects.get(pk=slab.pk).figures == slab.figures
    client = client_of(people.clinic)
    shown = client.get(reverse("qa:check", args=[slab.mesh_id]), {"before": slab.pk}).content.decode()
    assert "What moved since the check of" in shown and "Limits of version 1 before, 2 now" in shown
    # An earlier check that is not there, or is another mesh's, changes nothing.
    assert client.get(reverse("qa:check", args=[slab.mesh_id]), {"before": "9" * 30}).status_code == 200


def test_two_checks_that_agree_say_nothing_moved(slab: MeshCheck) -> None:
    assert compare_checks(slab, slab).nothing


# What it is checked as ----------------------------------------------------------------------------


def test_the_lab_s_printers_and_the_ordered_sheet_are_asked_about(
    shop: Any, attach: Callable[..., Any], case: Any
) -> None:
    line = case.lines.get()
    line.sheet_wish, line.sheet_mm = "petg", Decimal("0.75")
    line.save()
    check = done(attach(write_stl(box(30.0, 20.0, 6.0).mesh)))
    assert shop_of_printers()["vat"] == "bottom-up"
    assert check.figures["fits_platforms"] == ["Printer 1", "Printer 2", "Printer 3"]
    mesh = check.mesh
    mesh.appliance = case.appliances.get()
    mesh.save()
    request = engine_request(request_of(mesh))
    assert request.sheet is not None and request.sheet.thickness_mm == 0.75
    assert len(request.platforms) == 3
    # The appliance is known now, so the check is no longer of what would be asked today.
    assert current_checks([check]) == set()


def test_what_no_sheet_goes_over_is_not_judged_for_forming(
    attach: Callable[..., Any], case: Any, actors: Any
) -> None:
    """A retainer that is printed itself, and a study model: the part is what the clinic gets."""
    line = case.lines.get()
    mesh = attach(write_stl(box(30.0, 20.0, 6.0).mesh))
    mesh.appliance = case.appliances.get()
    mesh.save()
    assert "formed" not in request_of(mesh)
    line.direct_print = True
    line.save()
    mesh.refresh_from_db()
    assert engine_request(request_of(mesh)).formed is False
    line.direct_print, line.kind = False, "study-model"
    line.save()
    mesh.refresh_from_db()
    assert engine_request(request_of(mesh)).formed is False
    check_again(actor=actors.clinic, mesh=mesh)
    check = done(mesh)
    assert "forming" not in [section["name"] for section in check.sections]
    assert check.figures["undercut_cm2"] is None


def test_the_kind_of_vat_is_the_lab_s_own(shop: Any) -> None:
    from production.models import Printer

    assert shop_of_printers()["vat"] == "bottom-up"
    Printer.objects.filter(vat="bottom-up").update(vat="top-down")
    assert shop_of_printers()["vat"] == "top-down"
    one = Printer.objects.filter(vat="top-down").first()
    assert one is not None
    one.vat = "bottom-up"
    one.save()
    assert shop_of_printers()["vat"] == "bottom-up", "of both kinds, the one that asks more"
    Printer.objects.update(process="filament", vat="none")
    assert shop_of_printers()["vat"] == "none"


def test_a_lab_without_printers_is_asked_as_one_that_may_get_any() -> None:
    assert shop_of_printers() == {"vat": "bottom-up", "platforms": []}


def test_a_stored_request_from_before_printers_counted_is_still_read() -> None:
    request = engine_request({"role": "prepared", "layer_mm": 0.1})
    assert (request.layer_mm, request.platforms, request.sheet) == (0.1, (), None)


# Preparation --------------------------------------------------------------------------------------


def prepared_pair(shop: Any, attach: Callable[..., Any], actors: Any, case: Any, **settings: Any) -> Any:
    from production.services import preparations

    appliance = case.appliances.get()
    design = attach(write_stl(box(30.0, 20.0, 6.0).mesh))
    made = attach(write_stl(box(30.3, 20.2, 6.06).mesh), role="prepared", actor=actors.technician)
    for mesh in (design, made):
        mesh.appliance = appliance
        mesh.save()
        done(mesh)
    preparations.record_preparations(
        actor=actors.technician,
        prepared=[preparations.Prepared(appliance.pk, design.pk, made.pk)],
        settings=preparations.PreparationSettings(
            profile_name="grey-100", profile_revision="1", layer_um=100, **settings
        ),
    )
    return design, made


def test_a_prepared_file_is_checked_at_its_own_layer_and_says_what_changed(
    shop: Any, attach: Callable[..., Any], actors: Any, case: Any, client_of: Any, people: Any
) -> None:
    design, made = prepared_pair(shop, attach, actors, case, compensation_percent=Decimal("0.5"))
    check = made.checks.order_by("-pk").first()
    assert check.state == "waiting" and check.request["layer_mm"] == 0.1
    check = done(made)
    assert check.figures["layer_mm"] == 0.1
    change = prepared_change(made, check)
    assert change is not None and change.scale_percent == pytest.approx(1.0, abs=1e-4)
    told = " ".join(change.sentences)
    assert "1.00 % larger than the design" in told and "The preparation says 0.5 %" in told
    volume = next(row for row in change.rows if row.title == "Volume")
    assert volume.share == pytest.approx((1.01**3 - 1) * 100, abs=1e-3)
    assert prepared_of(design) == made
    client = client_of(people.clinic)
    assert "What preparation changed" in client.get(reverse("qa:check", args=[made.pk])).content.decode()
    assert (
        "A prepared file was made from this design"
        in client.get(reverse("qa:check", args=[design.pk])).content.decode()
    )


def test_a_turned_file_has_no_scale() -> None:
    assert scale_percent([30.0, 20.0, 6.0], [30.6, 20.4, 6.12]) == pytest.approx(2.0)
    assert scale_percent([30.0, 20.0, 6.0], [20.0, 30.0, 6.0]) is None
    assert scale_percent(None, [1.0, 1.0, 1.0]) is None


# Resin and print time -----------------------------------------------------------------------------


def test_resin_counts_each_materials_own_factor(shop: Any) -> None:
    shop.model_resin.consumption_factor, shop.model_resin.price = Decimal("1.25"), Decimal("80")
    shop.model_resin.save()
    needs = {one.material.code: one for one in resin_needs({"union_volume_ml": 8.0, "solid_volume_ml": 20.0})}
    grey = needs["grey"]
    assert (grey.as_it_stands_ml, grey.solid_ml, grey.supports_ml) == (10.0, 25.0, None)
    assert grey.cost == pytest.approx(0.8)
    assert resin_needs({"union_volume_ml": None}) == []


def print_many(shop: Any, n: int) -> list[Any]:
    """Builds whose time follows a rule: 10 + 0.2 min a layer + 1 min per 1,000 cm2."""
    made = []
    for number in range(n):
        layers = 300 + 40 * number
        volume = 5.0 + (7 * number) % 5
        minutes = 10 + 0.2 * layers + exposed_cm2(volume, 50) / 1_000 + (-1) ** number
        build = shop.plan(at=shop.at(number))
        from production.services import builds

        builds.start_build(actor=shop.tech, build_id=build.pk, started_at=shop.at(number))
        builds.finish_build(
            actor=shop.tech,
            build_id=build.pk,
            finished_at=shop.at(number) + timedelta(minutes=minutes),
            outcomes=[outcomes.PartResult(part.pk, "good") for part in build.parts.all()],
            layers=layers,
        )
        _figures(build, size=[50.0, 40.0, layers * 0.05], volume=volume)
        made.append(build)
    return made


def _figures(build: Any, *, size: list[float], volume: float) -> None:
    """Checked figures of what a build printed, without the engine."""
    from qa.queries.limits import limits_in_force

    for part in build.parts.all():
        MeshCheck.objects.create(
            mesh=part.preparation.design,
            key=f"k{part.pk}",
            engine="x",
            limits=limits_in_force(),
            state="done",
            verdict="pass",
            figures={"union_volume_ml": volume, "volume_ml": volume, "size_mm": size},
            finished_at=shop_now(),
        )


def shop_now() -> Any:
    from django.utils import timezone

    return timezone.now()


def test_print_time_waits_for_enough_builds_and_says_how_many(shop: Any) -> None:
    print_many(shop, 3)
    (history,) = build_histories()
    assert (len(history.builds), history.more_needed) == (3, LEAST_BUILDS - 3)
    (row,) = mesh_times({"size_mm": [50.0, 40.0, 20.0], "union_volume_ml": 7.0})
    assert row.estimate.minutes is None and row.estimate.more_needed == LEAST_BUILDS - 3


def test_print_time_is_learned_for_each_printer_and_profile(shop: Any, client_of: Any, people: Any) -> None:
    print_many(shop, 12)
    (row,) = mesh_times({"size_mm": [50.0, 40.0, 25.0], "union_volume_ml": 7.0})
    expected = 10 + 0.2 * 500 + exposed_cm2(7.0, 50) / 1_000
    assert row.layers == 500 and row.estimate.interval is not None
    assert row.estimate.minutes == pytest.approx(expected, abs=1.5)
    assert row.estimate.interval.contains(expected)
    planned = shop.plan(at=shop.at(40))
    assert build_estimate(planned) is None
    _figures(planned, size=[50.0, 40.0, 25.0], volume=7.0)
    told = build_estimate(planned)
    assert told is not None and told[0].minutes == pytest.approx(row.estimate.minutes)
    page = client_of(people.technician).get(reverse("production:build", args=[planned.number]))
    assert "Print time" in page.content.decode()


def test_builds_without_layers_or_figures_are_left_out_and_counted(shop: Any) -> None:
    print_many(shop, 2)
    shop.printed(at=shop.at(20))
    (history,) = build_histories()
    assert (len(history.builds), history.left_out) == (2, 1)


@pytest.mark.parametrize(("minutes", "words"), [(4.4, "4 min"), (59.6, "1 h 00 min"), (125, "2 h 05 min")])
def test_minutes_are_told_as_people_say_them(minutes: float, words: str) -> None:
    assert words_of(minutes) == words


def test_a_wedge_of_a_slab_is_no_trouble(attach: Callable[..., Any], client_of: Any, people: Any) -> None:
    check = done(attach(write_stl(tilted_slab().mesh)))
    url = reverse("qa:check", args=[check.mesh_id])
    assert client_of(people.technician).get(url, {"parts": "1000000"}).status_code == 200
    assert client_of(people.technician).get(url, {"parts": "zwölf"}).status_code == 200

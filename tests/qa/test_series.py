"""A whole aligner series: progress, the stage that stands out first, changes, CSV, the API's answer."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from cases.models import Blob, Case, MeshUse
from labtrack.errors import NotFound
from qa.models import MeshCheck
from qa.queries.check_keys import check_key
from qa.queries.check_request import request_of
from qa.queries.limits import limits_in_force
from qa.queries.series import series_for, series_of_case

pytestmark = pytest.mark.django_db

STAGES = 9
ODD = 6


def figures(stage: int) -> dict[str, Any]:
    """A steady series of which one stage is too high."""
    wiggle = 0.01 * ((stage * 7) % 5 - 2)
    height = 17.0 + 0.05 * stage + wiggle + (1.4 if stage == ODD else 0.0)
    return {
        "union_volume_ml": 12.0 + 0.04 * stage + wiggle,
        "height_mm": height,
        "wall_min_mm": None,
        "undercut_cm2": 2.5 + wiggle,
    }


def mesh_of(case: Case, appliance: Any, actors: Any, *, role: str = "design", name: str = "") -> MeshUse:
    count = MeshUse.objects.count()
    return MeshUse.objects.create(
        case=case,
        appliance=appliance,
        role=role,
        blob=Blob.objects.create(sha256=f"{count:064d}", size_bytes=84),
        unit="mm",
        file_format="stl-binary",
        triangles=12,
        original_name=name or f"upper-{appliance.stage:02d}.stl",
        origin="page",
        uploaded_by=actors.technician.user,
        occurred_at=timezone.now(),
    )


def checked(mesh: MeshUse, values: dict[str, Any], verdict: str = "pass") -> MeshCheck:
    request, limits = request_of(mesh), limits_in_force()
    return MeshCheck.objects.create(
        mesh=mesh,
        key=check_key(mesh, request, limits),
        engine="x",
        limits=limits,
        request=request,
        state="done",
        verdict=verdict,
        figures=values,
        finished_at=timezone.now(),
    )


@pytest.fixture
def series(actors: Any, store: Any) -> Case:
    """A case of nine upper stages, eight of them checked; stage eight waits."""
    from cases.models import Clinic
    from cases.services.log_case import log_case
    from cases.services.order import LineOrder

    case: Case = log_case(
        actor=actors.clinic,
        key="",
        clinic_id=Clinic.objects.get(code="harbour").pk,
        patient_code="H-18",
        prescriber="Dr Invented",
        lines=[LineOrder(kind="aligner", upper=STAGES)],
    ).thing
    for appliance in case.appliances.select_related("line").order_by("stage"):
        mesh = mesh_of(case, appliance, actors)
        if appliance.stage == 8:
            MeshCheck.objects.create(mesh=mesh, key="waits", engine="x", limits=limits_in_force())
        else:
            checked(mesh, figures(appliance.stage), "review" if appliance.stage == 2 else "pass")
    return case


def address(case: Case, name: str = "qa:series") -> str:
    return reverse(name, args=[case.number, case.lines.get().pk, "upper"])


def test_the_stage_that_stands_out_comes_first_then_by_verdict(series: Case, actors: Any) -> None:
    found = series_for(actors.clinic, series.number, series.lines.get().pk, "upper")
    assert (found.checked, found.waiting, len(found.stages)) == (8, 1, STAGES)
    order = [found.stages[index].number for index in found.worst_first()]
    assert order[:2] == [ODD, 2] and order[-1] == 8
    (reason,) = found.reasons(ODD - 1)
    assert reason.startswith("height 1.39 mm") and "above its trend" in reason
    assert not any(found.reasons(index) for index in range(STAGES) if index != ODD - 1)
    assert found.progress == pytest.approx(8 / 9)


def test_a_prepared_file_counts_before_the_design(series: Case, actors: Any) -> None:
    appliance = series.appliances.select_related("line").get(stage=4)
    made = mesh_of(series, appliance, actors, role="prepared", name="prepared-4.stl")
    checked(made, figures(4) | {"union_volume_ml": 7.0})
    found = series_for(actors.technician, series.number, appliance.line_id, "upper")
    stage = found.stages[3]
    assert stage.mesh == made and found.reasons(3)[0].startswith("volume")
    assert stage.current


def test_a_series_of_another_clinic_or_arch_is_not_there(series: Case, actors: Any) -> None:
    line = series.lines.get().pk
    for actor, arch in ((actors.other_clinic, "upper"), (actors.clinic, "lower"), (actors.clinic, "side")):
        with pytest.raises(NotFound):
            series_for(actor, series.number, line, arch)


def test_the_page_shows_progress_rows_and_rule(
    series: Case, client_of: Callable[[Any], Client], people: Any
) -> None:
    client = client_of(people.clinic)
    shown = client.get(address(series)).content.decode()
    assert "8 of 9 stages checked" in shown and "<progress" in shown and "hx-trigger" in shown
    assert "Stands out: height" in shown and "beyond 3.5" in shown and "Being checked" in shown
    assert "Height over the stages" in shown and "Thinnest wall over the stages" not in shown
    partial = client.get(address(series), headers={"HX-Request": "true"}).content.decode()
    assert "<html" not in partial and 'id="series-results"' in partial
    MeshCheck.objects.filter(key="waits").delete()
    assert client.get(address(series), headers={"HX-Request": "true"})["HX-Refresh"] == "true"
    by_stage = client.get(address(series), {"order": "stage"}).content.decode()
    assert by_stage.index(">1</a></th>") < by_stage.index(">6</a></th>")
    case_page = client.get(reverse("cases:case", args=[series.number])).content.decode()
    assert address(series) in case_page


def test_the_page_takes_as_many_queries_for_a_long_series_as_for_a_short_one(
    series: Case, client_of: Any, people: Any, actors: Any, django_assert_max_num_queries: Any
) -> None:
    client = client_of(people.clinic)
    with django_assert_max_num_queries(24):
        client.get(address(series))
    for appliance in series.appliances.select_related("line"):
        made = mesh_of(series, appliance, actors, role="prepared", name=f"prepared-{appliance.stage}.stl")
        checked(made, figures(appliance.stage))
    with django_assert_max_num_queries(24):
        client.get(address(series))


def test_the_csv_has_every_stage_with_trend_score_and_change(
    series: Case, client_of: Callable[[Any], Client], people: Any
) -> None:
    sent: Any = client_of(people.clinic).get(address(series, "qa:series-csv"))
    lines = b"".join(sent.streaming_content).decode().splitlines()
    heads = lines[0].split(",")
    assert heads[:4] == ["stage", "mesh", "file", "role"] and "height_z" in heads
    assert "height_change_mm" in heads and "union_volume_trend_ml" in heads
    assert len(lines) == STAGES + 1
    odd = dict(zip(heads, lines[ODD].split(","), strict=False))
    assert odd["stage"] == str(ODD) and float(odd["height_z"]) > 3.5


def test_checking_again_asks_only_for_what_is_not_current(
    series: Case, client_of: Callable[[Any], Client], people: Any, actors: Any
) -> None:
    from qa.services.limits import change_limits

    before = MeshCheck.objects.count()
    client = client_of(people.clinic)
    client.post(address(series, "qa:series-again"))
    # Only the waiting one, whose key is not today's, is asked for anew.
    assert MeshCheck.objects.count() == before + 1
    change_limits(
        actor=actors.manager,
        key="",
        based_on=1,
        values={"layer_step_max": 5.0},
        source="own trial of 3 May",
        note="to see",
    )
    assert "8 of the checks were made under other limits" in client.get(address(series)).content.decode()
    client.post(address(series, "qa:series-again"))
    assert MeshCheck.objects.filter(limits__version=2).count() == STAGES


def test_scripts_get_the_same_series(series: Case, api_client: Callable[..., Any], people: Any) -> None:
    client = api_client(people.clinic)
    (row,) = client.get(reverse("api-case-series", args=[series.number])).json()
    assert (row["arch"], row["stages"]) == ("upper", STAGES)
    url = reverse("api-series", args=[series.number, row["line"], row["arch"]])
    told = client.get(url).json()
    assert (told["checked"], told["waiting"]) == (8, 1)
    first = told["stages"][0]
    assert first["stage"] == ODD and first["stands_out"]
    height = next(one for one in first["figures"] if one["name"] == "height_mm")
    assert height["z"] > 3.5 and height["change"] == pytest.approx(1.46, abs=0.05)
    assert api_client(people.other_clinic).get(url).status_code == 404


def test_one_appliance_is_no_series(case: Any) -> None:
    assert series_of_case(case) == []

"""What scripts get of checks and limits: everything the pages show."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from django.urls import reverse

from fixtures.meshes.solids import box, turned
from fixtures.meshes.writers import write_stl
from labtrack.errors import Refused
from labtrack.jobs.services.run import run_job
from qa.geometry.limits import COMMON, SHIPPED
from qa.queries.limits import limit_set, limits_in_force
from qa.services.limits import change_limits

pytestmark = pytest.mark.django_db


def change(actors: Any, based_on: int = 1, **more: Any) -> Any:
    facts = {"values": {}, "source": "own trial of 3 May", "note": "to see"} | more
    return change_limits(actor=actors.manager, key="", based_on=based_on, **facts).thing


def test_a_check_tells_scripts_its_groups_maps_and_what_moved(
    attach: Callable[..., Any], api_client: Callable[..., Any], people: Any, actors: Any
) -> None:
    mesh = attach(write_stl(turned(box(30.0, 20.0, 6.0).mesh, (0.0, 1.0, 0.0), 15.0)))
    run_job(mesh.checks.get().job_id)
    client, url = api_client(people.technician), reverse("api-mesh-check", args=[mesh.pk])
    first = client.get(url).json()
    assert first["current"] and first["moved"] is None and first["prepared"] is None
    assert {section["name"] for section in first["sections"]} >= {"surface", "size", "layers", "supports"}
    overhang = next(one for one in first["maps"] if one["name"] == "overhang")
    assert (overhang["unit"], overhang["limit"]) == ("deg", 20.0) and len(overhang["places"][0]) == 4
    assert first["request"]["vat"] == "bottom-up"
    change(actors, values={"layer_step_max": 0.001})
    assert client.get(url).json()["current"] is False
    assert client.post(url).json()["state"] == "waiting"
    run_job(mesh.checks.order_by("-pk").first().job_id)
    second = client.get(url).json()
    step = next(one for one in second["moved"]["verdicts"] if one["name"] == "layer_step")
    assert (step["before"], step["after"]) == ("pass", "review")
    limit = next(one for one in second["moved"]["limits"] if one["name"] == "layer_step")
    assert (limit["before"]["value"], limit["after"]["value"]) == (6.0, 0.001)
    layers = client.get(reverse("api-mesh-layers", args=[mesh.pk])).json()
    assert len(layers) == second["figures"]["layers"]
    assert set(layers[0]) == {"height_mm", "area_cm2", "starts_in_mid_air", "suction_pocket_seals"}
    assert client.get(reverse("api-mesh-print-time", args=[mesh.pk])).json() == []


def test_limits_are_told_with_source_and_version(
    api_client: Callable[..., Any], people: Any, actors: Any
) -> None:
    client = api_client(people.technician)
    change(actors, values={"overhang_angle": 15.0})
    told = client.get(reverse("api-limits")).json()
    assert (told["version"], told["in_force"], told["by"]) == (2, True, "Maria")
    rows = {row["name"]: row for row in told["limits"]}
    assert (rows["overhang_angle"]["value"], rows["overhang_angle"]["source"]) == (15.0, "own trial of 3 May")
    assert rows["contact_min"]["source"] == COMMON and rows["contact_min"]["meaning"]
    old = client.get(reverse("api-limit-version", args=[1])).json()
    assert old["in_force"] is False and len(old["limits"]) == len(SHIPPED.limits)
    assert client.get(reverse("api-limit-version", args=[99])).status_code == 404


def test_each_limit_may_have_a_source_of_its_own(actors: Any) -> None:
    change(
        actors,
        values={"overhang_angle": 15.0, "overhang_max": 2.0},
        sources={"overhang_angle": "maker's instructions, 2nd edition", "contact_min": "own study of 4 May"},
    )
    now = limit_set(limits_in_force())
    assert now["overhang_angle"].source == "maker's instructions, 2nd edition"
    assert now["overhang_max"].source == "own trial of 3 May"
    assert (now["contact_min"].source, now["contact_min"].value) == ("own study of 4 May", 0.9)
    assert (now["contact_min"].version, now["contact_fail"].version) == ("2", "1")


def test_the_old_source_does_not_speak_for_a_new_value(actors: Any) -> None:
    with pytest.raises(Refused) as refusal:
        change(actors, values={"overhang_angle": 15.0}, sources={"overhang_angle": COMMON}, source="")
    assert refusal.value.code == "source-missing"
    with pytest.raises(Refused) as refusal:
        change(actors, values={"overhang_angle": 20.0}, sources={"overhang_angle": COMMON})
    assert refusal.value.code == "nothing-changed"


def test_the_page_takes_value_and_source_of_each_limit(client_of: Any, people: Any) -> None:
    client = client_of(people.manager)
    page = client.get(reverse("qa:limits")).content.decode()
    assert 'name="source_overhang_angle"' in page and "Shipped as" in page
    data = {"based_on": "1", "note": "why", "source": "", "submission_key": "k"}
    for limit in SHIPPED.limits:
        data |= {f"limit_{limit.name}": str(limit.value), f"source_{limit.name}": limit.source}
    data |= {"limit_overhang_angle": "12", "source_overhang_angle": "own trial of 3 May"}
    assert client.post(reverse("qa:limits"), data).status_code == 302
    assert limit_set(limits_in_force())["overhang_angle"].source == "own trial of 3 May"

"""The 3-D view of a check: colouring by a map, its legend and marks, turning, the series by keyboard."""

from __future__ import annotations

from typing import Any

import pytest
from django.urls import reverse

from cases.models import Clinic
from cases.services.file_store import received_bytes
from cases.services.log_case import log_case
from cases.services.meshes import attach_mesh
from cases.services.order import LineOrder
from fixtures.meshes.solids import box, turned
from fixtures.meshes.writers import write_stl
from labtrack.jobs.services.run import run_job

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def slabs(actors: Any, store: Any) -> list[Any]:
    """Two stages of a series, each a slab that was left tilted; both checked."""
    case = log_case(
        actor=actors.technician,
        key="",
        clinic_id=Clinic.objects.get(code="harbour").pk,
        patient_code="H-17",
        prescriber="Dr Invented",
        lines=[LineOrder(kind="aligner", upper=2)],
    ).thing
    meshes = []
    for appliance in case.appliances.order_by("stage"):
        slab = turned(box(30.0, 20.0, 5.0 + appliance.stage).mesh, (0.0, 1.0, 0.0), 15.0)
        with received_bytes(write_stl(slab), limit_bytes=10**6) as source:
            mesh = attach_mesh(
                actor=actors.technician,
                key="",
                case_number=case.number,
                role="design",
                unit="mm",
                source=source,
                original_name=f"upper-{appliance.stage:02d}.stl",
                appliance_id=appliance.pk,
            ).thing
        assert run_job(mesh.checks.get().job_id) == "done"
        meshes.append(mesh)
    return meshes


def colours(page: Any) -> list[str]:
    """The colours that the drawn mesh has at its corners."""
    found: list[str] = page.evaluate(
        "() => [...new Set(document.querySelector('.viewer-plot').data[0].vertexcolor || [])]"
    )
    return found


def heights(page: Any) -> float:
    """How tall the drawn mesh is."""
    tall: float = page.evaluate(
        "() => { const z = document.querySelector('.viewer-plot').data[0].z;"
        " return Math.max(...z) - Math.min(...z); }"
    )
    return tall


def test_choosing_a_map_colours_the_surface_and_lists_its_worst_places(visit: Any, slabs: list[Any]) -> None:
    from playwright.sync_api import expect

    page = visit("tessa")
    page.goto(reverse("qa:check", args=[slabs[0].pk]))
    choice = page.get_by_label("Show on the surface")
    expect(choice).to_be_visible()
    assert colours(page) == []
    expect(page.get_by_role("heading", name="Surfaces facing down: worst places")).to_be_hidden()

    choice.focus()
    page.keyboard.press("ArrowDown")
    choice.select_option(label="Surfaces facing down (°)")
    expect(page.locator("#viewer[data-map=overhang]")).to_be_visible()
    assert len(colours(page)) > 1
    expect(page.get_by_text("The line marks the limit, 20°.")).to_be_visible()
    expect(page.get_by_role("heading", name="Surfaces facing down: worst places")).to_be_visible()
    told = page.evaluate("() => document.querySelector('.viewer-plot').data.map((one) => one.text)")
    assert "15°" in told[0] and told[1][0] == "1"

    choice.select_option(label="The shape alone")
    expect(page.locator("#viewer[data-map='']")).to_be_visible()
    assert colours(page) == []
    assert page.said == []


def test_the_better_rotation_is_shown_and_taken_back(visit: Any, slabs: list[Any]) -> None:
    from playwright.sync_api import expect

    page = visit("tessa", scheme="dark", width=1280)
    page.goto(reverse("qa:check", args=[slabs[0].pk]))
    button = page.get_by_role("button", name="Show it on its best face")
    expect(button).to_be_visible()
    tilted = heights(page)
    button.press("Enter")
    expect(button).to_have_attribute("aria-pressed", "true")
    # A slab of 6 mm lying flat.
    assert heights(page) == pytest.approx(6.0, abs=0.01) and tilted > 12.0
    button.press("Enter")
    assert heights(page) == pytest.approx(tilted)
    assert page.said == []


def test_the_series_is_walked_by_keyboard(visit: Any, slabs: list[Any]) -> None:
    from playwright.sync_api import expect

    page = visit("clara")
    page.goto(reverse("cases:case", args=[slabs[0].case.number]))
    page.get_by_role("link", name="Upper aligners, 2 stages").click()
    expect(page.get_by_role("heading", name="2 of 2 stages checked")).to_be_visible()
    page.wait_for_load_state()
    page.get_by_role("region", name="Stages", exact=True).focus()
    page.keyboard.press("j")
    page.keyboard.press("j")
    focused = page.evaluate("() => document.activeElement.textContent")
    assert focused == page.locator("#stages tbody th a").nth(1).inner_text()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Check of upper-")
    assert page.said == []

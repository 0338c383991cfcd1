"""Every page that each role can reach: both widths, both themes, no overflow, contrast, a quiet console."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from urllib.parse import urlsplit

import pytest
from django.urls import Resolver404, resolve

from labtrack.jobs.services.run import run_job
from production.services.delivery import deliver
from tests.browser.work import PROBLEMS
from tests.qa.pieces import finished_piece, released_piece

pytestmark = pytest.mark.django_db(transaction=True)

WIDTHS = (1280, 820)
SCHEMES = ("light", "dark")
# Files, parts of pages and answers to scripts: no pages to look at.
NO_PAGE = {
    "health",
    "cases:mesh-file",
    "cases:mesh-row",
    "cases:meshes",
    "production:trace-csv",
    "production:go",
    "qa:check-profile",
    "qa:preview",
    "qa:photo",
    "qa:trend-csv",
    "accounts:sign-out",
}
# Pages without a link to them from where each role begins: what the test opens by address.
BY_ADDRESS = ("/nothing-here/", "/inspect/kinds/")


@pytest.fixture
def lab(shop: Any, actors: Any) -> Any:
    """A lab in mid-work: something of every kind, so that each page has something to show."""
    import trimesh

    from cases.models import Clinic
    from cases.services.file_store import received_bytes
    from cases.services.log_case import log_case
    from cases.services.meshes import attach_mesh
    from cases.services.order import LineOrder, aligner_series
    from qa.models import MeshCheck

    clinic = Clinic.objects.get(code="harbour")
    case = log_case(
        actor=actors.clinic,
        key="",
        clinic_id=clinic.pk,
        patient_code="P-1042",
        prescriber="Dr Example",
        clinic_reference="H-2026-000077",
        lines=[*aligner_series(upper=3, lower=2), LineOrder("retainer", upper=1)],
    ).thing
    box = trimesh.creation.box((30.0, 20.0, 15.0)).export(file_type="stl")
    with received_bytes(box, limit_bytes=10**6) as source:
        attach_mesh(
            actor=actors.clinic,
            key="",
            case_number=case.number,
            role="design",
            unit="mm",
            source=source,
            original_name="a_rather_long_name_of_a_design_for_the_upper_arch.stl",
        )
    run_job(MeshCheck.objects.get().job_id)
    shop.design(shop.appliance())
    shop.preparation()
    shop.plan(at=shop.at(2))
    shop.printed(6, at=shop.at(3))
    shop.printed(2, at=shop.at(4), outcome="scrapped", printer=shop.other_printer, tank=shop.guide_tank)
    waiting = shop.printed(
        2, at=shop.at(6), tank=shop.vessel("tank-3", "tank", "model", shop.model_lot, shop.printer)
    )
    shop.treat("wash", list(waiting.parts.all()), shop.at(6, hours=4))
    finished_piece(shop, shop.at(8))
    delivered = released_piece(shop, actors)
    deliver(
        actor=shop.tech,
        case_id=delivered.appliance.case_id,
        piece_ids=[delivered.pk],
        handed_to="courier",
    )
    shop.batch(shop.at(20))
    shop.failed(at=shop.at(40))
    return shop


@pytest.mark.parametrize("username", ["clara", "tessa", "quinn", "maria", "adam"])
def test_every_page_reached_is_sound(visit: Any, lab: Any, username: str) -> None:
    page = visit(username, width=WIDTHS[0])
    seen: set[str] = set()
    wrong: list[str] = []
    waiting = ["/", *BY_ADDRESS]
    while waiting:
        address = waiting.pop(0)
        name = _page_name(address)
        if name in seen or name in NO_PAGE:
            continue
        seen.add(name)
        page.goto(address)
        wrong += [f"{address}: {problem}" for problem in _problems(page)]
        if said := [words for words in page.said if "status of 40" not in words]:
            wrong.append(f"{address}: the console says {said}")
        page.said.clear()
        waiting += _links(page)
    assert not wrong, "\n".join(wrong)
    # The walk went far: what a role may see and where links lead decide how far.
    assert len(seen) >= {"clara": 10, "adam": 35}.get(username, 45), sorted(seen)


def _problems(page: Any) -> Iterator[str]:
    """What a careful eye would find, in both widths and themes."""
    for scheme in SCHEMES:
        page.emulate_media(color_scheme=scheme)
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 900})
            for problem in page.evaluate(PROBLEMS):
                yield f"{scheme}, {width} px: {problem}"


def _links(page: Any) -> list[str]:
    here = page.evaluate(
        """() => [...document.querySelectorAll("main a[href], header a[href]")]
          .filter((link) => !link.hasAttribute("download"))
          .map((link) => link.getAttribute("href"))"""
    )
    joined = [page.evaluate("(link) => new URL(link, location).href", link) for link in here]
    parts = [urlsplit(link) for link in joined if link.startswith(page.url.split("/", 3)[0])]
    return [part.path + (f"?{part.query}" if part.query else "") for part in parts if not part.fragment]


def _page_name(address: str) -> str:
    """What the page is called; one page for each kind of thing that is traced."""
    try:
        match = resolve(urlsplit(address).path)
    except Resolver404:
        return address
    if match.view_name in NO_PAGE or (match.view_name.startswith("api-") and match.view_name != "api-docs"):
        return "health"
    return f"{match.view_name} {match.kwargs.get('kind', '')}"

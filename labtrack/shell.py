"""The page shell: what each role sees in the navigation, and what needs them now."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest
from django.urls import reverse

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.hooks import Panels
from labtrack.web import SWITCHED

# Each app adds what of its own may need somebody now; a panel without anything to say is left out.
home_panels = Panels("home")


@dataclass(frozen=True)
class Place:
    """One word of the navigation. ``prefixes`` mark which paths belong to it."""

    word: str
    url_name: str
    prefixes: tuple[str, ...]
    needs: Capability


PLACES = (
    Place("Cases", "cases:list", ("/cases/", "/clinics/", "/checks/", "/release/"), Capability.CASES_READ),
    Place("Bench", "production:bench", ("/bench/",), Capability.SHOP_READ),
    Place("Inspect", "qa:inspect", ("/inspect/",), Capability.SHOP_READ),
    Place("Trace", "production:trace", ("/trace/",), Capability.SHOP_READ),
    Place("Trends", "qa:this-week", ("/trends/",), Capability.TRENDS_READ),
    Place("Lab", "production:lab", ("/lab/", "/limits/"), Capability.SHOP_READ),
)


def page_shell(request: HttpRequest) -> dict[str, Any]:
    """Template context: the places this person may go, with the current one marked."""
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {"places": [], "operator": None}
    actor = Actor(user)
    return {
        "operator": user,
        "switched": SWITCHED in request.session,
        "may_manage_people": actor.may(Capability.PEOPLE),
        "may_read_record": actor.may(Capability.AUDIT_READ),
        "places": [
            {
                "word": place.word,
                "url": reverse(place.url_name),
                "here": request.path.startswith(place.prefixes),
            }
            for place in PLACES
            if actor.may(place.needs)
        ],
    }

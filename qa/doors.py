"""The pages behind the word Trends, in the order of the questions."""

from __future__ import annotations

from dataclasses import dataclass

from django.urls import reverse

DOORS = (
    ("week", "This week", "qa:this-week"),
    ("trends", "Trends", "qa:trends"),
    ("tanks", "Tanks", "qa:tanks"),
    ("causes", "Causes", "qa:causes"),
    ("late", "Found late", "qa:late"),
    ("platform", "Platform", "qa:platform"),
    ("comparisons", "Comparisons", "qa:planned"),
    ("measuring", "Measuring", "qa:measuring-studies"),
    ("cost", "Cost", "qa:cost"),
)

# Pages of a selection; the others are of everything.
NARROWED = ("trends", "tanks", "causes", "late", "platform", "cost")


@dataclass(frozen=True)
class Door:
    word: str
    url: str
    here: bool


def doors(place: str, query: str = "") -> list[Door]:
    """The links, with the one that is open marked. ``query``: what those that can be are narrowed by."""
    kept = f"?{query}" if query else ""
    return [
        Door(word, reverse(url) + (kept if name in NARROWED else ""), name == place)
        for name, word, url in DOORS
    ]

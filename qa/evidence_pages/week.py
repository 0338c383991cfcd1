"""This week: what is worth changing, at most three things, or what it would take to say more."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

from django.urls import reverse
from django.utils import timezone

from qa.evidence_pages.addresses import cause_records
from qa.evidence_pages.asking import Asking
from qa.evidence_pages.rates import per_100, per_month
from qa.evidence_pages.words import contrast_words, factor_words, filter_words, interval_words, today_words
from qa.models import Action
from qa.statistics.causes import MOST_PUT_FORWARD
from qa.statistics.results import count_words, more_words, of_words

AGE_FACTORS = {
    "days": "days_since_filter",
    "builds": "builds_since_filter",
    "layers": "layers_since_filter",
    "ml": "ml_since_filter",
}


@dataclass(frozen=True)
class Suspect:
    """One suspected cause worth acting on."""

    title: str
    evidence: str
    parts: str
    money: str
    together: str
    records_url: str
    page_url: str
    action_url: str
    action: Action | None


@dataclass(frozen=True)
class Followed:
    """An open action with how its effect looks now."""

    action: Action
    sentence: str
    due: bool


@dataclass(frozen=True)
class Week:
    suspects: list[Suspect]
    quiet: str
    tells: list[str] = field(default_factory=list)
    actions: list[Followed] = field(default_factory=list)


def week(asking: Asking, open_actions: list[Action]) -> Week:
    """Suspects of the analysis, what is under way, and what would let us say more."""
    report = asking.report
    by_factor = {cause["factor"]: cause for cause in report["causes"]}
    suspects = [_suspect(asking, by_factor[name], open_actions) for name in report["put_forward"]]
    tank = _tank(asking, open_actions)
    if tank is not None and len(suspects) < MOST_PUT_FORWARD:
        suspects.append(tank)
    quiet = "" if suspects else _quiet(asking)
    return Week(suspects, quiet, _tells(asking), _followed(asking, open_actions))


def _suspect(asking: Asking, cause: dict[str, Any], open_actions: list[Action]) -> Suspect:
    title = contrast_words(cause, asking.names)
    low, high = cause["ci95"]
    evidence = (
        f"{cause['saved_per_100']:.1f} of 100 {asking.things} would be saved ({interval_words(low, high)}); "
        f"concerned: {of_words(cause['n_level'], report_n(asking), asking.things)}. An "
        "association in your record, "
        "adjusted for what goes along with it; no proof."
    )
    months = per_month(asking, cause)
    parts = "" if months is None else (
        f"{months[0]:.1f} {asking.things} a month ({interval_words(months[1], months[2])})"
    )  # fmt: skip
    if cause["factor"] in AGE_FACTORS.values() and (when := filter_words(asking)):
        evidence = f"{evidence} {when}{today_words(asking)}"
    return Suspect(
        title=title,
        evidence=evidence,
        parts=parts,
        money=_money(asking, cause["money_per_month"], cause["money_ci95"]),
        together=", ".join(factor_words(name, asking.names) for name in cause["inseparable_from"]),
        records_url=cause_records(asking, cause),
        page_url=f"{reverse('qa:causes')}?{asking.query}",
        action_url=_action_url(asking, cause["factor"], title, evidence, max(low or 0.0, 0.1)),
        action=next((one for one in open_actions if one.factor == cause["factor"]), None),
    )


def report_n(asking: Asking) -> int:
    return int(asking.report["parts"])


def _money(asking: Asking, money: float | None, ends: list[float | None] | None) -> str:
    if money is None or ends is None or not asking.currency:
        return ""
    return f"{money:.0f} {asking.currency} a month ({interval_words(ends[0], ends[1], 0)})"


def _tank(asking: Asking, open_actions: list[Action]) -> Suspect | None:
    """Old tanks, where they are shown to go bad and no suspect says so already."""
    found, more = asking.report["tanks"], asking.result["tanks"]
    if found["verdict"] != "shown":
        return None
    put_forward = set(asking.report["put_forward"])
    for cause in asking.report["causes"]:
        if cause["factor"] in put_forward:
            put_forward |= set(cause["inseparable_from"])
    if put_forward & set(AGE_FACTORS.values()):
        return None
    worst = next(iter(more["next_build"]), None)
    evidence = more["sentence"]
    if worst is not None:
        evidence += f" Next build: {worst['tank']} risks {per_100(worst['risk']):.1f} of 100."
    factor = AGE_FACTORS[found["age"]]
    return Suspect(
        title=f"Tanks go bad with age ({found['age']} since filtering)",
        evidence=evidence,
        parts=f"{filter_words(asking)}{today_words(asking)}".strip(),
        money="",
        together="",
        records_url="",
        page_url=f"{reverse('qa:tanks')}?{asking.query}",
        action_url=_action_url(asking, factor, "Tanks go bad with age", evidence, 1.0),
        action=next((one for one in open_actions if one.factor in AGE_FACTORS.values()), None),
    )


def _action_url(asking: Asking, factor: str, title: str, evidence: str, hoped: float) -> str:
    asked = {
        "unit": asking.unit.value,
        "factor": factor,
        "why": f"{title}. {evidence}"[:500],
        "hoped": f"{hoped:.1f}",
    }
    return f"{reverse('qa:action-open')}?{urlencode(asked)}"


def _quiet(asking: Asking) -> str:
    """Nothing to say is an answer; with what it would take to say more."""
    if not asking.report["parts"]:
        return f"No {asking.things} with a settled outcome yet, so there is nothing to say."
    if asking.report["lost"] == asking.report["parts"]:
        return (
            f"{asking.result['sentence']} What is wrong is wrong for all of them: look at what they share, "
            "the machine, the resin and the settings, before anything else is made."
        )
    waiting = [c for c in asking.report["causes"] if c["parts_needed"] and c["saved_per_100"] > 0]
    if not waiting:
        return f"Nothing stands out. {asking.result['sentence']}"
    nearest = min(waiting, key=lambda cause: cause["parts_needed"])
    return (
        f"Nothing stands out. {asking.result['sentence']} Nearest to being told: "
        f"{contrast_words(nearest, asking.names)}; {more_words(nearest['parts_needed'], asking.things)} "
        "would tell."
    )


def _tells(asking: Asking) -> list[str]:
    """What to record so that more can be said."""
    left = [one for one in asking.report["not_examined"] if one["reason"] == "never recorded"]
    tells = []
    if left:
        names = ", ".join(factor_words(one["factor"], asking.names) for one in left[:6])
        tells.append(f"Never recorded, so nothing can be said of it: {names}.")
    if asking.report["immature"]:
        tells.append(
            f"Left out: {count_words(asking.report['immature'], f'more {asking.things}')} with an open "
            "outcome or without time to fail yet."
        )
    if asking.result["cost_per_lost_part"] is None or not asking.currency:
        tells.append("Say on the page Cost what a lost part costs, and causes are told in money as well.")
    return tells


def _followed(asking: Asking, open_actions: list[Action]) -> list[Followed]:
    today = timezone.localdate()
    effects = asking.result["actions"]
    return [
        Followed(
            action,
            effects.get(str(action.pk), {}).get(
                "sentence", "Its effect is judged with the next computation."
            ),
            action.check_on <= today,
        )
        for action in open_actions
        if action.unit == asking.unit
    ]

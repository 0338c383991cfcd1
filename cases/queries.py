"""What is read of cases. Every query starts from what the actor may see; a stranger's thing is not there."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

from django.db.models import BooleanField, Count, Exists, F, IntegerField, OuterRef, Q, QuerySet, Value, When
from django.db.models import Case as Choose
from django.db.models.functions import Coalesce

from cases.choices import CaseState
from cases.hooks import delivered_appliances
from cases.models import Appliance, Case, Clinic, ClinicWait, MeshUse
from labtrack.accounts.actor import Actor
from labtrack.errors import NotFound

NO_SUCH_CASE = "There is no case under that number."
# Still to be handed over, unless delivered: neither cancelled nor made again.
LIVE = Q(cancelled_at__isnull=True, remake__isnull=True)
DUE_SOON = timedelta(days=3)
# 2,147,483,647 fits every number column; a longer one names no case.
_LARGEST_NUMBER = 2**31 - 1


def visible_clinics(actor: Actor) -> QuerySet[Clinic]:
    """All clinics for lab roles; clinic staff see their own."""
    if actor.user.is_lab:
        return Clinic.objects.all()
    return Clinic.objects.filter(memberships__user=actor.user)


def visible_cases(actor: Actor) -> QuerySet[Case]:
    """All cases for lab roles; clinic staff see those of their clinic."""
    if actor.user.is_lab:
        return Case.objects.all()
    return Case.objects.filter(clinic__memberships__user=actor.user)


def visible_appliances(actor: Actor) -> QuerySet[Appliance]:
    """The appliances of visible cases, with what their labels need."""
    appliances = Appliance.objects.select_related("case", "line")
    if actor.user.is_lab:
        return appliances
    return appliances.filter(case__clinic__memberships__user=actor.user)


def visible_meshes(actor: Actor) -> QuerySet[MeshUse]:
    """The mesh uses of visible cases, replaced and withdrawn ones included."""
    meshes = MeshUse.objects.select_related("case", "blob", "appliance__line", "appliance__case")
    if actor.user.is_lab:
        return meshes
    return meshes.filter(case__clinic__memberships__user=actor.user)


def clinic_of(actor: Actor) -> Clinic | None:
    """The one clinic of clinic staff; None for the lab."""
    if actor.user.is_lab:
        return None
    return visible_clinics(actor).first()


def clinic_for(actor: Actor, clinic_id: int) -> Clinic:
    clinic = visible_clinics(actor).filter(pk=clinic_id).first()
    if clinic is None:
        raise NotFound("There is no such clinic.")
    return clinic


def case_for(actor: Actor, number: int) -> Case:
    """The case of that number, with its clinic. Raises ``NotFound``, also for another clinic's."""
    if not 0 < number <= _LARGEST_NUMBER:
        raise NotFound(NO_SUCH_CASE)
    case = visible_cases(actor).select_related("clinic").filter(number=number).first()
    if case is None:
        raise NotFound(NO_SUCH_CASE)
    return case


def appliance_for(actor: Actor, appliance_id: int) -> Appliance:
    appliance = visible_appliances(actor).filter(pk=appliance_id).first()
    if appliance is None:
        raise NotFound("There is no such appliance.")
    return appliance


def mesh_for(actor: Actor, mesh_id: int) -> MeshUse:
    mesh = visible_meshes(actor).filter(pk=mesh_id).first()
    if mesh is None:
        raise NotFound("There is no such mesh.")
    return mesh


def with_state(cases: QuerySet[Case]) -> QuerySet[Any]:
    """Add ``state`` (a ``CaseState``), ``due_on``, ``appliance_count`` and ``mesh_count``.

    A case is delivered when it has live appliances and each of them was handed over; only the app
    that delivers can tell, through ``hooks.delivered_appliances``.
    """
    annotated: QuerySet[Any] = cases.annotate(
        waits_now=Exists(ClinicWait.objects.filter(case=OuterRef("pk"), until__isnull=True)),
        is_delivered=_is_delivered(),
        due_on=Coalesce("ship_by", "appointment_on"),
        appliance_count=Count("appliances", filter=_live_of_case(), distinct=True),
        mesh_count=Count(
            "meshes",
            filter=Q(meshes__replaced_by__isnull=True, meshes__withdrawn_at__isnull=True),
            distinct=True,
        ),
    )
    stated: QuerySet[Any] = annotated.annotate(
        state=Choose(
            When(voided_at__isnull=False, then=Value(CaseState.VOIDED)),
            When(is_delivered=True, then=Value(CaseState.DELIVERED)),
            When(waits_now=True, then=Value(CaseState.WAITING)),
            default=Value(CaseState.OPEN),
        )
    )
    return stated


def _is_delivered() -> Any:
    nothing = Value(value=False, output_field=BooleanField())
    sources = delivered_appliances.id_querysets()
    if not sources:
        return nothing
    live = Appliance.objects.filter(LIVE, case=OuterRef("pk"))
    outstanding = live
    for delivered in sources:
        outstanding = outstanding.exclude(pk__in=delivered)
    return Choose(When(Exists(live) & ~Exists(outstanding), then=Value(value=True)), default=nothing)


def _live_of_case() -> Q:
    return Q(appliances__cancelled_at__isnull=True, appliances__remake__isnull=True)


def needing_first(cases: QuerySet[Any], actor: Actor) -> QuerySet[Any]:
    """Order what needs this person before the rest: a clinic its questions, the lab what is due."""
    first, second = (
        (CaseState.OPEN, CaseState.WAITING) if actor.user.is_lab else (CaseState.WAITING, CaseState.OPEN)
    )
    ranked: QuerySet[Any] = cases.annotate(
        rank=Choose(
            When(state=first, then=0),
            When(state=second, then=1),
            When(state=CaseState.DELIVERED, then=2),
            default=3,
            output_field=IntegerField(),
        ),
        pressing=Choose(When(state__in=(first, second), then=F("due_on"))),
    )
    return ranked.order_by("rank", F("pressing").asc(nulls_last=True), "-number")


def case_list(
    actor: Actor,
    *,
    text: str = "",
    clinic_id: int | None = None,
    state: str = "",
    due_until: date | None = None,
) -> QuerySet[Any]:
    """The cases list, narrowed by what the person typed and chose."""
    cases = with_state(visible_cases(actor).select_related("clinic"))
    if text:
        cases = cases.filter(_mentions(text))
    if clinic_id is not None:
        cases = cases.filter(clinic_id=clinic_id)
    if state:
        cases = cases.filter(state=state)
    if due_until is not None:
        cases = cases.filter(due_on__lte=due_until)
    return needing_first(cases, actor)


def case_number(text: str) -> int | None:
    """The number in ``12``, ``C-00012`` or ``c12``; None when the text is no case number."""
    found = re.fullmatch(r"\s*(?:c-?)?0*(\d{1,10})\s*", text, re.IGNORECASE | re.ASCII)
    if found is None:
        return None
    number = int(found.group(1))
    return number if number <= _LARGEST_NUMBER else None


def _mentions(text: str) -> Q:
    wanted = (
        Q(clinic_reference__icontains=text)
        | Q(patient_code__icontains=text)
        | Q(prescriber__icontains=text)
        | Q(clinic__name__icontains=text)
    )
    number = case_number(text)
    return wanted | Q(number=number) if number is not None else wanted


def due_cases(actor: Actor, *, today: date) -> QuerySet[Any]:
    """Open cases that are overdue or due within days; a case that waits for its clinic is not."""
    return needing_first(
        with_state(visible_cases(actor).select_related("clinic")).filter(
            state=CaseState.OPEN, due_on__lte=today + DUE_SOON
        ),
        actor,
    )


def open_waits(actor: Actor) -> QuerySet[ClinicWait]:
    """Questions that wait for a clinic, the oldest first."""
    return (
        ClinicWait.objects.filter(
            until__isnull=True, case__in=visible_cases(actor).filter(voided_at__isnull=True)
        )
        .select_related("case__clinic", "asked_by")
        .order_by("since")
    )


def live_appliances(case: Case) -> QuerySet[Appliance]:
    """What is still to be made or handed over, with what labels need."""
    return (
        case.appliances.filter(LIVE).select_related("case", "line").order_by("line", "arch", "stage", "copy")
    )


_ARCH_WORDS = {
    "upper": ("upper", "maxilla", "maxillary", "max", "up", "u"),
    "lower": ("lower", "mandible", "mandibular", "mand", "low", "lo", "l"),
}


def other_case_named(name: str, *, case_number: int) -> str:
    """The label of another case that a file name spells, as in C-00012_upper.stl; empty when none."""
    spelled = {int(digits) for digits in re.findall(r"(?<![a-z])c-(\d{1,9})(?!\d)", name.lower())}
    others = sorted(spelled - {case_number})
    return Case(number=others[0]).label if others else ""


def suggest_appliance(name: str, appliances: Sequence[Appliance], *, case_number: int) -> Appliance | None:
    """The one appliance whose arch and stage a file name spells, to be offered and never assumed.

    None unless the name holds one arch and one stage number and exactly one appliance has both, and
    never when it spells another case.
    """
    if other_case_named(name, case_number=case_number):
        return None
    bare = re.sub(rf"c-?0*{case_number}(?!\d)", " ", name.rsplit(".", 1)[0].lower())
    words = re.findall(r"[a-z]+|\d+", bare)
    arches = {arch for arch, known in _ARCH_WORDS.items() if any(word in known for word in words)}
    numbers = {int(word) for word in words if word.isdigit() and len(word) <= 3}
    if len(arches) != 1 or len(numbers) != 1:
        return None
    arch, stage = arches.pop(), numbers.pop()
    fitting = [thing for thing in appliances if thing.arch == arch and thing.stage == stage and stage > 0]
    return fitting[0] if len(fitting) == 1 else None

"""Forms of cases: shape only; the services decide."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms
from django.core.exceptions import ValidationError

from cases.choices import LAB_MESH_ROLES, ApplianceKind, CaseState, MeshRole, Tissue, ToothNotation, Unit
from cases.models import Appliance, Case, Clinic
from cases.queries import visible_clinics
from cases.services.order import (
    MOST_COPIES,
    MOST_DAYS,
    MOST_LINES,
    MOST_ROUNDS,
    MOST_STAGES,
    LineOrder,
    aligner_series,
    usual_tissue,
)
from labtrack.accounts.actor import Actor
from labtrack.numbers import DecimalNumber, WholeNumber

CHOOSE: list[tuple[str, str]] = [("", "Choose…")]


def _date_input() -> forms.DateInput:
    return forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


def _whole(label: str, *, most: int, least: int = 0, initial: int = 0, **more: Any) -> WholeNumber:
    return WholeNumber(label=label, min_value=least, max_value=most, initial=initial, required=False, **more)


class CaseFilterForm(forms.Form):
    text = forms.CharField(
        label="Search", required=False, max_length=100, widget=forms.TextInput(attrs={"type": "search"})
    )
    state = forms.ChoiceField(required=False, choices=[("", "Any"), *CaseState.choices])
    due_until = forms.DateField(label="Due until", required=False, widget=_date_input())
    clinic = forms.ModelChoiceField(Clinic.objects.none(), required=False, empty_label="All")

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if actor.user.is_lab:
            self.fields["clinic"].queryset = visible_clinics(actor)  # type: ignore[attr-defined]
        else:
            del self.fields["clinic"]

    def chosen(self) -> dict[str, Any]:
        """The filters that can be used; an unusable one is named beside its field and left out."""
        self.is_valid()
        cleaned = self.cleaned_data
        clinic = cleaned.get("clinic")
        return {
            "text": cleaned.get("text", ""),
            "state": cleaned.get("state", ""),
            "due_until": cleaned.get("due_until"),
            "clinic_id": clinic.pk if clinic else None,
        }


class CaseFactsForm(forms.Form):
    """What may be corrected later."""

    clinic_reference = forms.CharField(
        label="Clinic's reference",
        max_length=60,
        required=False,
        help_text="Your own number for it, if you have one. A script finds the case by it.",
    )
    prescriber = forms.CharField(max_length=120)
    appointment_on = forms.DateField(label="Appointment", required=False, widget=_date_input())
    ship_by = forms.DateField(label="Ship by", required=False, widget=_date_input())
    note = forms.CharField(required=False, max_length=5000, widget=forms.Textarea(attrs={"rows": 3}))

    @classmethod
    def of(cls, case: Case, data: Any = None) -> CaseFactsForm:
        names = ("clinic_reference", "prescriber", "appointment_on", "ship_by", "note")
        return cls(data, initial={name: getattr(case, name) for name in names})


class CaseForm(CaseFactsForm):
    clinic = forms.ModelChoiceField(Clinic.objects.none(), empty_label="Choose…")
    patient_code = forms.CharField(
        label="Patient code",
        max_length=40,
        help_text="A code, never a name: everyone who makes the appliance reads it.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
    )
    occurred_at = forms.DateTimeField(
        label="Ordered at",
        required=False,
        help_text="Empty means now.",
        widget=forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M"),
    )
    field_order = (
        "clinic",
        "patient_code",
        "prescriber",
        "clinic_reference",
        "ship_by",
        "appointment_on",
        "occurred_at",
        "note",
    )

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        clinics = visible_clinics(actor).filter(active=True)
        self.fields["clinic"].queryset = clinics  # type: ignore[attr-defined]
        if not actor.user.is_lab:
            self.fields["clinic"].widget = forms.HiddenInput()
            self.fields["clinic"].initial = clinics.first()


class LineForm(forms.Form):
    """One line of an order. Without a kind it is left out."""

    kind = forms.ChoiceField(
        label="What", required=False, choices=[("", "Nothing on this line"), *ApplianceKind.choices]
    )
    upper = _whole("Upper", most=MOST_STAGES, help_text="Stages, else 1")
    lower = _whole("Lower", most=MOST_STAGES, help_text="Stages, else 1")
    copies = _whole("Copies", most=MOST_COPIES, least=1, initial=1, help_text="Of each")
    templates = forms.BooleanField(
        label="With an attachment template per arch", required=False, help_text="For aligners."
    )
    direct_print = forms.BooleanField(
        label="Printed directly", required=False, help_text="No working model, no forming."
    )
    round = _whole("Refinement round", most=MOST_ROUNDS, help_text="0 is the first plan.")
    first_stage = _whole("First stage", most=999, least=1, initial=1)
    tissue = forms.ChoiceField(
        label="Touches", required=False, choices=[("", "As usual for it"), *Tissue.choices]
    )
    hours_per_day = DecimalNumber(
        label="Worn per day", required=False, min_value=0, max_value=24, max_digits=4, decimal_places=1
    )
    days = _whole("Worn for", most=MOST_DAYS, help_text="Days of one appliance.")
    sheet_wish = forms.CharField(label="Sheet asked for", required=False, max_length=80)
    sheet_mm = DecimalNumber(
        label="Sheet thickness", required=False, min_value=0, max_value=10, max_digits=4, decimal_places=2
    )
    line_note = forms.CharField(label="Note", required=False, max_length=300)

    @property
    def seldom(self) -> list[forms.BoundField]:
        """Fields that most lines leave as they are."""
        return [
            self[name]
            for name in ("round", "first_stage", "tissue", "hours_per_day", "days", "sheet_wish", "sheet_mm")
        ]

    @property
    def seldom_used(self) -> bool:
        """Whether one of them says something, so that the page shows them."""
        return any(bound.errors or bound.value() not in (None, "", bound.initial) for bound in self.seldom)

    def lines(self) -> list[LineOrder]:
        """The order lines this form asks for: none, one, or a series with its template."""
        cleaned = self.cleaned_data
        kind = cleaned.get("kind", "")
        if not kind:
            return []
        shared: dict[str, Any] = {
            "copies": _or(cleaned.get("copies"), 1),
            "round": _or(cleaned.get("round"), 0),
            "direct_print": cleaned.get("direct_print", False),
            "tissue": cleaned.get("tissue") or usual_tissue(kind),
            "hours_per_day": _or(cleaned.get("hours_per_day"), Decimal(0)),
            "days": _or(cleaned.get("days"), 0),
            "sheet_wish": cleaned.get("sheet_wish", ""),
            "sheet_mm": cleaned.get("sheet_mm"),
            "note": cleaned.get("line_note", ""),
        }
        upper, lower = _or(cleaned.get("upper"), 0), _or(cleaned.get("lower"), 0)
        if kind == ApplianceKind.ALIGNER:
            first = _or(cleaned.get("first_stage"), 1)
            return list(
                aligner_series(
                    upper=upper,
                    lower=lower,
                    templates=cleaned.get("templates", False),
                    first_stage=first,
                    **shared,
                )
            )
        return [LineOrder(kind=kind, upper=upper, lower=lower, **shared)]

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        said = any(cleaned.get(name) for name in ("upper", "lower", "sheet_wish", "line_note"))
        if said and not cleaned.get("kind") and "kind" not in self.errors:
            raise ValidationError("This line says how many, but not of what.")
        return cleaned


def _or(value: Any, default: Any) -> Any:
    return default if value is None else value


# More lines are asked for by a button that works without scripts.
OrderFormSet = forms.formset_factory(LineForm, extra=0, max_num=MOST_LINES, absolute_max=MOST_LINES)


def ordered_lines(lines: forms.BaseFormSet) -> list[LineOrder]:  # type: ignore[type-arg]  # not generic when run
    """What all lines of a valid order ask for."""
    return [line for form in lines.forms for line in form.lines()]


class MeshForm(forms.Form):
    """What the files are. Nothing is assumed: each choice starts empty."""

    role = forms.ChoiceField(label="What it is", choices=[])
    unit = forms.ChoiceField(
        choices=[*CHOOSE, *Unit.choices], help_text="Of the numbers in the file. STL does not say it."
    )
    appliance = forms.TypedChoiceField(
        label="For", coerce=int, required=False, empty_value=None, choices=[], help_text="Or say it later."
    )

    def __init__(self, *args: Any, actor: Actor, appliances: list[Appliance], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["role"].choices = [*CHOOSE, *mesh_roles(actor)]  # type: ignore[attr-defined]
        self.fields["appliance"].choices = [  # type: ignore[attr-defined]
            ("", "The whole case"),
            *((appliance.pk, appliance.short_label) for appliance in appliances),
        ]


def mesh_roles(actor: Actor) -> list[tuple[str, str]]:
    """The roles this person may attach."""
    return [(role.value, role.label) for role in MeshRole if actor.user.is_lab or role not in LAB_MESH_ROLES]


class RestateForm(forms.Form):
    role = forms.ChoiceField(label="What it is", choices=[])
    unit = forms.ChoiceField(choices=Unit.choices)

    def __init__(self, *args: Any, actor: Actor, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["role"].choices = mesh_roles(actor)  # type: ignore[attr-defined]


class ReplaceForm(forms.Form):
    unit = forms.ChoiceField(choices=[*CHOOSE, *Unit.choices])
    file = forms.FileField()


class ReasonForm(forms.Form):
    reason = forms.CharField(max_length=200)


class QuestionForm(forms.Form):
    question = forms.CharField(
        max_length=2000,
        widget=forms.Textarea(attrs={"rows": 3}),
        help_text="The case's clock stands still until it is answered.",
    )


class AnswerForm(forms.Form):
    answer = forms.CharField(max_length=2000, widget=forms.Textarea(attrs={"rows": 3}))


class ClinicForm(forms.Form):
    code = forms.SlugField(max_length=20, help_text="A short word used on labels, for example: harbour.")
    name = forms.CharField(max_length=120)
    tooth_notation = forms.ChoiceField(label="Tooth numbers", choices=ToothNotation.choices)


class ChangeClinicForm(ClinicForm):
    active = forms.BooleanField(
        label="Sends cases", required=False, help_text="A closed clinic's cases stay; new ones are refused."
    )

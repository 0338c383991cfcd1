"""Forms of quality: shape only; the use cases decide."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Any
from urllib.parse import urlencode

from django import forms
from django.forms import BaseFormSet, formset_factory
from django.utils import timezone

from cases.choices import ToothNotation
from labtrack.accounts.choices import LAB_ROLES
from labtrack.accounts.models import User
from labtrack.errors import Refused
from labtrack.numbers import DecimalNumber, FloatNumber, number_box
from production.choices import WORK_STEPS, Outcome, Step
from qa.check_figures import unit_words
from qa.choices import DefectScope, EvidenceUnit, GateItemName, Measure, Severity, Verdict
from qa.geometry.limits import SHIPPED
from qa.models import Action, CostVersion, DefectKind, LimitVersion
from qa.queries.gate import NEVER_CONCEDED
from qa.queries.levels import known_levels
from qa.queries.limits import limit_set
from qa.queries.selection import EVERYTHING, PARAMETER, Selection, parse_selection
from qa.queries.tally import DEFAULT_DAYS, Range
from qa.services.inspections import FoundDefect
from qa.services.limits import MOST_SOURCE
from qa.services.photos import clean_photo
from qa.teeth import chart_rows, tooth

if TYPE_CHECKING:
    _KindModelForm = forms.ModelForm[DefectKind]
    _ActionModelForm = forms.ModelForm[Action]
    _CostsModelForm = forms.ModelForm[CostVersion]
else:
    _KindModelForm = _ActionModelForm = _CostsModelForm = forms.ModelForm

STEP_CHOICES = [(step.value, step.label) for step in WORK_STEPS]
MOST_DEFECTS = 12


class MomentField(forms.DateTimeField):
    """When it happened, in the lab's time zone; empty means now."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("required", False)
        kwargs.setdefault("help_text", "Empty means now.")
        kwargs.setdefault(
            "widget", forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")
        )
        kwargs.setdefault("input_formats", ["%Y-%m-%dT%H:%M", "%Y-%m-%dT%H:%M:%S", "%Y-%m-%d %H:%M"])
        super().__init__(**kwargs)


class MarkForm(forms.Form):
    mark = forms.CharField(
        label="Mark of the part or piece",
        max_length=20,
        help_text="Scan it, or type it: P-000123 for a part, A-000045 for a piece.",
        widget=forms.TextInput(
            attrs={"autofocus": True, "autocomplete": "off", "autocapitalize": "characters"}
        ),
    )


class InspectionForm(forms.Form):
    step = forms.ChoiceField(label="Inspected at", choices=STEP_CHOICES)
    verdict = forms.ChoiceField(choices=Verdict.choices, widget=forms.RadioSelect)
    outcome = forms.ChoiceField(
        label="How it came out",
        choices=[("", "As the verdict says"), *Outcome.choices],
        required=False,
        help_text="A pass is good. A fail needs rework or scrapped here.",
    )
    method = forms.CharField(label="How you looked", max_length=60, required=False)
    note = forms.CharField(max_length=300, required=False, widget=forms.Textarea(attrs={"rows": 2}))
    occurred_at = MomentField(label="When")


class DefectForm(forms.Form):
    kind = forms.ChoiceField(label="What is wrong", required=False)
    severity = forms.ChoiceField(
        label="How bad", choices=Severity.choices, initial=Severity.MAJOR, required=False
    )
    origin = forms.ChoiceField(
        label="Step it comes from",
        choices=[("", "The usual one"), *Step.choices],
        required=False,
    )
    tooth = forms.TypedChoiceField(label="Tooth", coerce=int, empty_value=None, required=False)
    note = forms.CharField(max_length=200, required=False)
    photo = forms.FileField(
        required=False, widget=forms.ClearableFileInput(attrs={"accept": "image/jpeg,image/png,image/webp"})
    )

    def __init__(self, *args: Any, kinds: list[DefectKind], notation: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = [("", "Nothing"), *((kind.code, kind.name) for kind in kinds)]  # type: ignore[attr-defined]
        self.fields["tooth"].choices = _tooth_choices(notation)  # type: ignore[attr-defined]

    def found(self) -> FoundDefect | None:
        """The defect, or None for a row left empty. Raises ``Refused`` for an unusable photo."""
        data = self.cleaned_data
        if not data.get("kind"):
            return None
        photo = data.get("photo")
        return FoundDefect(
            kind=data["kind"],
            severity=data.get("severity") or Severity.MAJOR,
            origin=data.get("origin") or "",
            tooth=data.get("tooth"),
            note=data.get("note") or "",
            photo=clean_photo(photo, size_bytes=photo.size) if photo else None,
        )

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if not data.get("kind") and any(data.get(name) for name in ("origin", "tooth", "note", "photo")):
            self.add_error("kind", "Say what is wrong, or empty this defect.")
        return data


def _tooth_choices(notation: str) -> list[Any]:
    choices: list[Any] = [("", "No single tooth")]
    for title, row in zip(("Upper arch", "Lower arch"), chart_rows(notation), strict=True):
        choices.append((title, [(one.fdi, _tooth_words(one.fdi, one.name, one.own)) for one in row]))
    deciduous = [tooth(quadrant * 10 + place, notation) for quadrant in range(5, 9) for place in range(1, 6)]
    choices.append(
        ("Deciduous teeth", [(one.fdi, _tooth_words(one.fdi, one.name, one.own)) for one in deciduous])
    )
    return choices


def _tooth_words(fdi: int, name: str, own: str) -> str:
    return f"{fdi} – {name}" + (f" (clinic: {own})" if own else "")


DefectFormSet: type[BaseFormSet[DefectForm]] = formset_factory(
    DefectForm, extra=2, max_num=MOST_DEFECTS, absolute_max=MOST_DEFECTS, validate_max=True
)


def defect_forms(
    *, data: Any = None, files: Any = None, is_part: bool, notation: str = ToothNotation.FDI
) -> BaseFormSet[DefectForm]:
    """Rows for the defects of one thing, with the kinds that fit it."""
    kinds = DefectKind.objects.filter(active=True)
    if is_part:
        kinds = kinds.exclude(scope=DefectScope.PIECE)
    return DefectFormSet(
        data, files, prefix="defects", form_kwargs={"kinds": list(kinds), "notation": notation}
    )


class PassManyForm(forms.Form):
    """Several printed parts that were all looked at and are all good."""

    parts = forms.TypedMultipleChoiceField(coerce=int)

    def __init__(self, *args: Any, part_ids: list[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["parts"].choices = [(pk, str(pk)) for pk in part_ids]  # type: ignore[attr-defined]


class KindForm(_KindModelForm):
    class Meta:
        model = DefectKind
        fields = ("code", "name", "scope", "usual_origin", "contamination", "hint", "active")
        labels = {
            "code": "Short word for tables and scripts",
            "scope": "Found on",
            "usual_origin": "Usual step of origin",
            "hint": "Usual causes",
            "contamination": "Made by a dirty tank",
            "active": "In use",
        }
        help_texts = {"hint": "", "contamination": ""}

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for name in ("scope", "usual_origin"):
            choices = self.fields[name].choices  # type: ignore[attr-defined]
            self.fields[name].choices = [  # type: ignore[attr-defined]
                (value, label if value else "Choose…") for value, label in choices
            ]


class LimitsForm(forms.Form):
    """Value and source of each limit, and what a change needs: a source for the rest, and the reason."""

    based_on = forms.IntegerField(widget=forms.HiddenInput)
    source = forms.CharField(
        label="Where the new values come from",
        max_length=MOST_SOURCE,
        required=False,
        help_text="A document, a trial of your own with its date, or who decided. It stands beside every "
        "changed value that got no source of its own above.",
    )
    note = forms.CharField(label="Why they change", max_length=200)

    def __init__(self, *args: Any, version: LimitVersion, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["based_on"].initial = version.version
        self.limits = limit_set(version).limits
        for limit in self.limits:
            self.fields[f"limit_{limit.name}"] = FloatNumber(
                label=limit.meaning or limit.name,
                initial=f"{limit.value:g}",
            )
            self.fields[f"source_{limit.name}"] = forms.CharField(
                label=f"Source of: {limit.meaning or limit.name}",
                initial=limit.source,
                max_length=MOST_SOURCE,
                required=False,
            )

    def sources(self) -> dict[str, str]:
        """Every limit's source by its name; empty where it was left as it is not stated."""
        return {limit.name: self.cleaned_data[f"source_{limit.name}"] for limit in self.limits}

    def values(self) -> dict[str, float]:
        """Every limit's value by its name."""
        return {limit.name: self.cleaned_data[f"limit_{limit.name}"] for limit in self.limits}

    def rows(self) -> list[dict[str, Any]]:
        """Limit with its fields and the value it was shipped with, for the page."""
        shipped = {limit.name: limit.value for limit in SHIPPED.limits}
        return [
            {
                "limit": limit,
                "unit": unit_words(limit.unit),
                "field": self[f"limit_{limit.name}"],
                "source": self[f"source_{limit.name}"],
                "changed": limit.value != shipped.get(limit.name),
                "shipped": shipped.get(limit.name),
            }
            for limit in self.limits
        ]


class SignForm(forms.Form):
    pieces = forms.TypedMultipleChoiceField(label="Pieces", coerce=int)
    password = forms.CharField(
        label="Your password, as your signature",
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
        strip=False,
    )

    def __init__(self, *args: Any, piece_ids: list[int], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["pieces"].choices = [(pk, str(pk)) for pk in piece_ids]  # type: ignore[attr-defined]


class WithdrawForm(forms.Form):
    reason = forms.CharField(label="Why it is withdrawn", max_length=300)
    password = forms.CharField(
        label="Your password, as your signature",
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
        strip=False,
    )


class ConcessionForm(forms.Form):
    piece = forms.IntegerField(widget=forms.HiddenInput)
    gate_item = forms.ChoiceField(
        label="What is not met",
        choices=[
            choice
            for choice in GateItemName.choices
            if choice[0] not in (*NEVER_CONCEDED, GateItemName.ANSWERS)
        ],
    )
    reason = forms.CharField(label="Why it may go all the same", max_length=300)
    valid_until = MomentField(label="Valid until", required=True, help_text="")


class _SelectionForm(forms.Form):
    """What a page is narrowed to: ``of``, once for each level."""

    of = forms.Field(label="Only", required=False, widget=forms.MultipleHiddenInput)

    def clean(self) -> dict[str, Any]:
        """``of`` as a ``Selection``."""
        data = super().clean() or {}
        texts, unit = data.get("of") or [], data.get("unit")
        data["of"] = EVERYTHING
        if texts and unit:
            try:
                data["of"] = self._selection(texts, EvidenceUnit(unit))
            except Refused as refused:
                self.add_error("of", refused.sentence)
        return data

    @staticmethod
    def _selection(texts: list[str], unit: EvidenceUnit) -> Selection:
        return parse_selection(texts, unit, known=known_levels(unit))

    def of_pairs(self, of: Selection | None = None) -> list[tuple[str, str]]:
        """The selection, or another one, as pairs of an address."""
        selection: Selection = self.cleaned_data["of"] if of is None else of
        return [(PARAMETER, value) for value in selection.values]

    def kept(self) -> str:
        """What goes along from page to page: a selection, of parts or of pieces."""
        pairs = self.of_pairs()
        return urlencode([("unit", self.cleaned_data["unit"]), *pairs]) if pairs else ""


def _chosen(query: Any) -> list[str]:
    """``of`` of an address, or of none."""
    texts = query.getlist(PARAMETER) if hasattr(query, "getlist") else query.get(PARAMETER, [])
    return [text for text in texts if text]


class TrendsForm(_SelectionForm):
    """What the trends are asked for; anything unusable falls back to the last 90 days."""

    start = forms.DateField(label="From", widget=forms.DateInput(attrs={"type": "date"}))
    end = forms.DateField(label="To", widget=forms.DateInput(attrs={"type": "date"}))
    measure = forms.ChoiceField(label="Count", choices=Measure.choices)
    unit = forms.ChoiceField(label="Of", choices=EvidenceUnit.choices)
    than_start = forms.DateField(
        label="Compared with, from", required=False, widget=forms.DateInput(attrs={"type": "date"})
    )
    than_end = forms.DateField(label="to", required=False, widget=forms.DateInput(attrs={"type": "date"}))

    def add_prefix(self, field_name: str) -> str:
        """The names in the address: from, to."""
        short = {"start": "from", "end": "to", "than_start": "than_from", "than_end": "than_to"}
        return short.get(field_name, field_name)

    def than(self) -> Range | None:
        """The period to compare with, where both its ends are given."""
        start, end = self.cleaned_data["than_start"], self.cleaned_data["than_end"]
        return Range(start, end) if start and end else None

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("start") and data.get("end") and data["start"] > data["end"]:
            self.add_error("end", "The range ends before it starts.")
        if data.get("than_start") and data.get("than_end") and data["than_start"] > data["than_end"]:
            self.add_error("than_end", "The range ends before it starts.")
        return data

    @staticmethod
    def filled(query: Any) -> TrendsForm:
        """The form with defaults for what the address leaves out."""
        last = Range.last(DEFAULT_DAYS, today=timezone.localdate())
        defaults = {
            "from": last.start.isoformat(),
            "to": last.end.isoformat(),
            "measure": Measure.LOST.value,
            "unit": EvidenceUnit.PART.value,
            "than_from": "",
            "than_to": "",
        }
        given = {name: query[name] for name in defaults if query.get(name)}
        return TrendsForm({**defaults, **given, PARAMETER: _chosen(query)})


class AnalysisForm(_SelectionForm):
    """What an analysis is asked for: parts or pieces, from when on, and narrowed to what."""

    unit = forms.ChoiceField(label="Of", choices=EvidenceUnit.choices)
    since = forms.ChoiceField(label="Printed", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["since"].choices = since_choices()  # type: ignore[attr-defined]

    @staticmethod
    def filled(query: Any, *, narrows: bool = True) -> AnalysisForm:
        """The form with defaults for what the address leaves out; a page of everything narrows nothing."""
        return AnalysisForm(
            {
                "unit": query.get("unit") or EvidenceUnit.PART.value,
                "since": query.get("since") or "",
                PARAMETER: _chosen(query) if narrows else [],
            }
        )

    def asked(self) -> tuple[EvidenceUnit, date | None, Selection]:
        data = self.cleaned_data
        since = date.fromisoformat(data["since"]) if data["since"] else None
        return EvidenceUnit(data["unit"]), since, data["of"]

    def query(self, *, of: Selection | None = None) -> str:
        """The address of what was asked, or of the same narrowed to something else."""
        data = self.cleaned_data
        since = [("since", data["since"])] if data["since"] else []
        return urlencode([("unit", data["unit"]), *since, *self.of_pairs(of)])


def since_choices() -> list[tuple[str, str]]:
    """At any time, or since the first of a month, so that a range keeps its name for a month."""
    first = timezone.localdate().replace(day=1)
    choices = [("", "At any time")]
    for months, words in ((3, "In the last 3 months"), (6, "In the last 6 months"), (12, "In the last year")):
        years, month = divmod(first.year * 12 + first.month - 1 - months, 12)
        choices.append((date(years, month + 1, 1).isoformat(), words))
    return choices


class ActionForm(_ActionModelForm):
    class Meta:
        model = Action
        fields = (
            "what",
            "why",
            "responsible",
            "starts_on",
            "check_on",
            "hoped_per_100",
            "before_days",
            "unit",
            "factor",
        )
        widgets = {
            "why": forms.Textarea(attrs={"rows": 3}),
            "starts_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            "check_on": forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"),
            "unit": forms.HiddenInput,
            "factor": forms.HiddenInput,
        }

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["responsible"].queryset = User.objects.filter(  # type: ignore[attr-defined]
            is_active=True, role__in=LAB_ROLES
        ).order_by("name")


class CloseActionForm(forms.Form):
    note = forms.CharField(label="What became of it", max_length=300)


class CostsForm(_CostsModelForm):
    based_on = forms.IntegerField(widget=forms.HiddenInput, min_value=0)

    class Meta:
        model = CostVersion
        fields = (
            "currency",
            "lost_part",
            "remake",
            "filter_tank",
            "failed_build",
            "labour_per_h",
            "labour_min",
            "machine_per_h",
            "late_step",
            "note",
        )
        labels = {
            "currency": "Money, for example EUR",
            "lost_part": "One lost part, with making it again",
            "remake": "A remake beyond its parts: parcels, chair time",
            "filter_tank": "Filtering one tank once",
            "failed_build": "A failed build beyond its parts",
            "labour_per_h": "One hour of work",
            "labour_min": "Handling of one part in minutes, where it is not recorded",
            "machine_per_h": "One hour of a machine",
            "late_step": "One more step on a part that is bad already",
            "note": "Where the figures come from",
        }
        widgets = {
            name: number_box()
            for name in (
                "lost_part",
                "remake",
                "filter_tank",
                "failed_build",
                "labour_per_h",
                "labour_min",
                "machine_per_h",
                "late_step",
            )
        }
        field_classes = dict.fromkeys(widgets, DecimalNumber)


class BaselineForm(forms.Form):
    """The days a chart is held against from now on."""

    unit = forms.ChoiceField(choices=EvidenceUnit.choices, widget=forms.HiddenInput)
    measure = forms.ChoiceField(choices=Measure.choices, widget=forms.HiddenInput)
    start = forms.DateField(label="From", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
    end = forms.DateField(label="To", widget=forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d"))
    note = forms.CharField(label="Why these days", max_length=200)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        # It stands on one page with the filters, whose names are the same.
        super().__init__(*args, **kwargs)
        self.auto_id = "baseline_%s"

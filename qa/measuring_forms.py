"""Forms of measuring: scans, landmarks, calipers, check blocks. Shape only; the use cases decide."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from django import forms

from cases.choices import Unit
from labtrack.numbers import DecimalNumber
from labtrack.whole_numbers import RowField
from production.choices import EquipmentKind
from production.queries.lab import printers_in_service
from qa.choices import Reference, Side
from qa.forms import MomentField
from qa.queries.devices import devices_of
from qa.queries.repeats import AXES, BIAS
from qa.queries.tally import Range
from qa.services.proofs import SideLength

LANDMARK_FILE_BYTES = 100_000


class DeviceField(RowField):
    """A scanner or caliper in service."""

    def __init__(self, kind: EquipmentKind, **options: Any) -> None:
        self.device_kind = kind
        options.setdefault("required", False)
        options.setdefault("empty_label", f"No {kind.label.lower()} named")
        super().__init__(queryset=devices_of(kind), **options)

    def label_from_instance(self, obj: Any) -> str:
        return f"{obj.name} ({obj.code})"


class ScanForm(forms.Form):
    mark = forms.CharField(
        label="Mark of the part",
        max_length=20,
        help_text="Scan or type the mark on the part, for example P-000123.",
        widget=forms.TextInput(attrs={"autocomplete": "off", "autocapitalize": "characters"}),
    )
    unit = forms.ChoiceField(
        label="Unit of the file's numbers",
        choices=[("", "Choose"), *Unit.choices],
        help_text="Never guessed: the scanning program says it.",
    )
    device = DeviceField(EquipmentKind.SCANNER, label="Scanner")
    against = forms.ChoiceField(label="Compare with", choices=Reference.choices, initial=Reference.DESIGN)
    occurred_at = MomentField(label="Scanned")
    file = forms.FileField(
        label="Scan",
        help_text="STL, PLY, OBJ or 3MF.",
        error_messages={"required": "Choose the scan to upload."},
    )


class AgainForm(forms.Form):
    unit = forms.ChoiceField(choices=[("", ""), *Unit.choices], required=False)


class LandmarksForm(forms.Form):
    text = forms.CharField(
        label="Landmarks and distances",
        required=False,
        strip=False,
        max_length=20_000,
        widget=forms.Textarea(attrs={"rows": 14, "spellcheck": "false", "class": "list"}),
        help_text="name,x_mm,y_mm,z_mm in the design's frame; below their own header distance,from,to. "
        "Steps of one distance in several lines are added up.",
    )
    file = forms.FileField(
        label="Or a CSV file", required=False, help_text="Takes the place of the list above."
    )
    based_on = forms.IntegerField(widget=forms.HiddenInput, min_value=0)

    def listed(self) -> str:
        """The list as text, from the file when one was chosen."""
        uploaded = self.cleaned_data.get("file")
        if uploaded is None:
            return str(self.cleaned_data["text"])
        content: bytes = uploaded.read(LANDMARK_FILE_BYTES)
        return content.decode("utf-8")

    def clean_file(self) -> Any:
        uploaded = self.cleaned_data.get("file")
        if uploaded is None:
            return None
        if uploaded.size > LANDMARK_FILE_BYTES:
            raise forms.ValidationError("A list of landmarks has at most 100 kB.")
        try:
            uploaded.read(LANDMARK_FILE_BYTES).decode("utf-8")
        except UnicodeDecodeError:
            raise forms.ValidationError("That is no text. Save it as CSV in UTF-8.") from None
        uploaded.seek(0)
        return uploaded


class CaliperForm(forms.Form):
    """One field per distance of the design, in mm."""

    device = DeviceField(EquipmentKind.CALIPER, label="Caliper")
    occurred_at = MomentField(label="Measured")
    note = forms.CharField(max_length=200, required=False)

    def __init__(self, *args: Any, distances: Sequence[dict[str, Any]], **options: Any) -> None:
        super().__init__(*args, **options)
        self.distances = distances
        for index, one in enumerate(distances):
            self.fields[f"length_{index}"] = _length_field(one["name"])

    @property
    def rows(self) -> list[dict[str, Any]]:
        return [
            {"distance": one, "field": self[f"length_{index}"]} for index, one in enumerate(self.distances)
        ]

    def measured(self) -> dict[str, Any]:
        """Lengths by the names of their distances; empty fields were not measured."""
        found = {one["name"]: self.cleaned_data[f"length_{k}"] for k, one in enumerate(self.distances)}
        return {name: value for name, value in found.items() if value is not None}


def _length_field(label: str) -> DecimalNumber:
    return DecimalNumber(label=label, required=False, max_digits=7, decimal_places=3, min_value=0)


class ProofForm(forms.Form):
    """A check block: what each side should be, and what it is."""

    printer = RowField(
        empty_label="Choose",
        queryset=printers_in_service(),
    )
    device = DeviceField(EquipmentKind.CALIPER, label="Caliper")
    occurred_at = MomentField(label="Measured")
    note = forms.CharField(max_length=200, required=False)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        for side in Side:
            self.fields[f"nominal_{side.value}"] = _length_field(f"Nominal {side.value}")
            self.fields[f"measured_{side.value}"] = _length_field(f"Measured {side.value}")

    @property
    def rows(self) -> list[dict[str, Any]]:
        return [
            {
                "side": side,
                "nominal": self[f"nominal_{side.value}"],
                "measured": self[f"measured_{side.value}"],
            }
            for side in Side
        ]

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        for side in Side:
            if data.get(f"measured_{side.value}") is not None and data.get(f"nominal_{side.value}") is None:
                self.add_error(f"nominal_{side.value}", "Say what this side should be.")
        return data

    def sides(self) -> list[SideLength]:
        data = self.cleaned_data
        return [
            SideLength(side.value, data[f"nominal_{side.value}"], data[f"measured_{side.value}"])
            for side in Side
            if data.get(f"measured_{side.value}") is not None
        ]


class RepeatsForm(forms.Form):
    start = forms.DateField(label="From", widget=forms.DateInput(attrs={"type": "date"}))
    end = forms.DateField(label="To", widget=forms.DateInput(attrs={"type": "date"}))
    figure = forms.ChoiceField(label="Figure")
    axis = forms.ChoiceField(label="By", choices=list(AXES.items()))

    def __init__(self, data: Any, *, names: Sequence[str], figure: str, default: Range) -> None:
        given = {
            "from": data.get("from") or default.start.isoformat(),
            "to": data.get("to") or default.end.isoformat(),
            "figure": data.get("figure") or figure,
            "axis": data.get("axis") or "printer-material",
        }
        super().__init__(given)
        self.fields["figure"].choices = [  # type: ignore[attr-defined]
            (BIAS, "Mean deviation of the working surface (scans)"),
            *((name, f"Error of {name} (scans and calipers)") for name in names),
        ]

    def add_prefix(self, field_name: str) -> str:
        """The address says ``from`` and ``to``."""
        return {"start": "from", "end": "to"}.get(field_name, field_name)

    def clean(self) -> dict[str, Any]:
        data = super().clean() or {}
        if data.get("start") and data.get("end") and data["start"] > data["end"]:
            self.add_error("end", "The range ends before it starts.")
        return data

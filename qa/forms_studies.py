"""Forms of device studies, agreement and planned comparisons: shape only; the use cases decide."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from django import forms

from labtrack.numbers import FloatNumber, plain_number
from production.choices import MEASURING_KINDS
from production.models import Equipment
from qa.models import AgreementStudy, DeviceStudy, PlannedComparison

if TYPE_CHECKING:
    _StudyModelForm = forms.ModelForm[DeviceStudy]
    _AgreementModelForm = forms.ModelForm[AgreementStudy]
    _PlanModelForm = forms.ModelForm[PlannedComparison]
else:
    _StudyModelForm = _AgreementModelForm = _PlanModelForm = forms.ModelForm

_APART = re.compile(r"[;\t]|\s{2,}|(?<=\S)\s(?=\S)")


class DeviceStudyForm(_StudyModelForm):
    class Meta:
        model = DeviceStudy
        fields = ("device", "characteristic", "parts", "appraisers", "trials")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["device"].queryset = Equipment.objects.filter(  # type: ignore[attr-defined]
            kind__in=MEASURING_KINDS, retired_at__isnull=True
        )


class StudyValuesForm(forms.Form):
    """One field for each part, person and trial."""

    bias_mm = FloatNumber(
        label="Known offset from a reference in mm",
        initial=0,
        required=False,
        help_text="What the device shows more than a calibrated length; 0 where it is not known.",
    )

    def __init__(self, *args: Any, study: DeviceStudy, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.study = study
        for part in range(1, study.parts + 1):
            for person in range(1, study.appraisers + 1):
                for trial in range(1, study.trials + 1):
                    self.fields[self._name(part, person, trial)] = FloatNumber(
                        label=f"Part {part}, person {person}, time {trial}, in mm",
                        widget=forms.TextInput(
                            attrs={"inputmode": "decimal", "autocomplete": "off", "class": "cell"}
                        ),
                    )

    @staticmethod
    def _name(part: int, person: int, trial: int) -> str:
        return f"v_{part}_{person}_{trial}"

    @property
    def heads(self) -> list[str]:
        study = self.study
        return [
            f"Person {person}, time {trial}"
            for person in range(1, study.appraisers + 1)
            for trial in range(1, study.trials + 1)
        ]

    def rows(self) -> list[dict[str, Any]]:
        """A row of fields for each part."""
        study = self.study
        return [
            {
                "part": part,
                "cells": [
                    self[self._name(part, person, trial)]
                    for person in range(1, study.appraisers + 1)
                    for trial in range(1, study.trials + 1)
                ],
            }
            for part in range(1, study.parts + 1)
        ]

    def values(self) -> list[list[list[float]]]:
        """By part, person and trial."""
        study, data = self.study, self.cleaned_data
        return [
            [
                [data[self._name(part, person, trial)] for trial in range(1, study.trials + 1)]
                for person in range(1, study.appraisers + 1)
            ]
            for part in range(1, study.parts + 1)
        ]


class AgreementForm(_AgreementModelForm):
    pairs = forms.CharField(
        label="One item in each line: the first, then the second",
        max_length=40_000,
        help_text="With a semicolon or a space between them, for example: 42.15; 42.20",
        widget=forms.Textarea(attrs={"rows": 8}),
    )

    class Meta:
        model = AgreementStudy
        fields = ("kind", "title", "first", "second")

    def clean_pairs(self) -> list[list[str]]:
        """The two words of every line; a line that holds more or fewer is named."""
        pairs = []
        for number, line in enumerate(self.cleaned_data["pairs"].splitlines(), start=1):
            if not line.strip():
                continue
            words = [word.strip() for word in _APART.split(line.strip()) if word and word.strip()]
            if len(words) != 2:
                raise forms.ValidationError(f"Line {number} does not hold two values.")
            pairs.append(words)
        return pairs


class PlanForm(_PlanModelForm):
    class Meta:
        model = PlannedComparison
        fields = ("title", "kind", "arm_a", "arm_b", "how", "margin", "blocks", "per_block")
        widgets = {"how": forms.Textarea(attrs={"rows": 3})}
        help_texts = {
            "title": "For example: is the entry-level printer as good as the certified one?",
            "margin": "In parts per 100, or in the unit measured. It is not changed afterwards.",
            "blocks": "In each block both ways come once, in a drawn order: time and tank are shared.",
        }


class RunForm(forms.Form):
    build = forms.CharField(label="Build", max_length=20, help_text="Its number, such as B-00012 or 12.")
    values = forms.CharField(
        label="Measured on its parts",
        max_length=4_000,
        required=False,
        help_text="One number for each part, with spaces between them; only where something is measured.",
    )

    def clean_build(self) -> int:
        digits = re.sub(r"^[A-Za-z]+-?0*", "", self.cleaned_data["build"].strip())
        if not digits.isascii() or not digits.isdigit() or len(digits) > 12:
            raise forms.ValidationError("That is no build's number.")
        return int(digits)

    def clean_values(self) -> list[float]:
        words = self.cleaned_data["values"].replace(";", " ").split()
        try:
            return [float(plain_number(word)) for word in words]
        except ValueError:
            raise forms.ValidationError("Give plain numbers with spaces between them.") from None

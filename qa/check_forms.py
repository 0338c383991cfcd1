"""Forms of the check page. Shape only; the use cases decide."""

from __future__ import annotations

from typing import Any

from django import forms

from labtrack.numbers import FloatNumber
from qa.models import InsertionAxis

AS_FORMED, ALONG = "formed", "along"


def _side(letter: str) -> FloatNumber:
    return FloatNumber(label=letter, required=False, min_value=-1e9, max_value=1e9)


class InsertionForm(forms.Form):
    """As it is formed, or along three numbers."""

    way = forms.ChoiceField(
        label="It comes off",
        choices=[(AS_FORMED, "along the forming axis, as it is formed"), (ALONG, "along this direction:")],
        widget=forms.RadioSelect,
    )
    x, y, z = _side("x"), _side("y"), _side("z")
    based_on = forms.IntegerField(widget=forms.HiddenInput, min_value=0, required=False)

    @classmethod
    def showing(cls, choice: InsertionAxis | None) -> InsertionForm:
        """The form with the choice in force."""
        vector = choice.vector if choice else None
        sides = dict(zip("xyz", (f"{side:g}" for side in vector or ()), strict=False))
        initial = {"way": ALONG if vector else AS_FORMED, "based_on": choice.pk if choice else 0}
        return cls(initial=initial | sides)

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if cleaned.get("way") == ALONG:
            for side in "xyz":
                if cleaned.get(side) is None and side not in self.errors:
                    self.add_error(side, "Type a number; 0 where the direction does not lean that way.")
        return cleaned

    def axis(self) -> tuple[float, float, float] | None:
        """The direction as typed; None for as it is formed."""
        if self.cleaned_data["way"] == AS_FORMED:
            return None
        return self.cleaned_data["x"], self.cleaned_data["y"], self.cleaned_data["z"]

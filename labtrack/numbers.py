"""Form fields for numbers as people type them: with a comma or a point, and without a browser's guess.

A browser's own number box drops what it does not take for part of a number: "12,5" typed at an English
tablet arrives as 125, and nobody is told. These fields are text boxes with the number keyboard; what is no
number is refused in words and stays as it was typed.
"""

from __future__ import annotations

import re
from typing import Any

from django import forms

# One comma or point; blanks may part the thousands, as the pages themselves print them.
_BLANKS = re.compile(r"(?<=\d)[ \u00a0\u2009\u202f](?=\d{3}(?:\D|$))")
_MINUS = str.maketrans("\u2212\u2013", "--")


def plain_number(value: Any) -> Any:
    """The text with a decimal point and without blanks; what has more than one mark is left to be refused."""
    if not isinstance(value, str):
        return value
    text = _BLANKS.sub("", value.strip()).translate(_MINUS)
    return text.replace(",", ".") if text.count(",") == 1 and "." not in text else text


def _worded(options: dict[str, Any], invalid: str) -> dict[str, Any]:
    words = {"invalid": invalid}
    if options.get("min_value") is not None:
        words["min_value"] = "It cannot be less than %(limit_value)s."
    if options.get("max_value") is not None:
        words["max_value"] = "It cannot be more than %(limit_value)s."
    options["error_messages"] = words | options.get("error_messages", {})
    return options


def number_box(mode: str = "decimal") -> forms.TextInput:
    """A text box with the number keyboard (for model forms, which bring widgets of their own)."""
    return forms.TextInput(attrs={"inputmode": mode, "autocomplete": "off", "class": "number"})


class DecimalNumber(forms.DecimalField):
    """A decimal number with a comma or a point."""

    def __init__(self, **options: Any) -> None:
        options.setdefault("widget", number_box())
        super().__init__(**_worded(options, "Type a number, such as 0.05 or 0,05."))

    def to_python(self, value: Any) -> Any:
        return super().to_python(plain_number(value))


class FloatNumber(forms.FloatField):
    """A number with a comma or a point, of any number of places."""

    def __init__(self, **options: Any) -> None:
        options.setdefault("widget", number_box())
        super().__init__(**_worded(options, "Type a number, such as 0.05 or 0,05."))

    def to_python(self, value: Any) -> Any:
        return super().to_python(plain_number(value))


class WholeNumber(forms.IntegerField):
    """A whole number; 12,5 is refused, not cut."""

    def __init__(self, **options: Any) -> None:
        options.setdefault("widget", number_box("numeric"))
        super().__init__(**_worded(options, "Type a whole number."))

    def to_python(self, value: Any) -> Any:
        return super().to_python(plain_number(value))

"""Whole numbers and rows as an address or a form names them: anything else is no number, never a crash."""

from __future__ import annotations

from typing import Any

from django import forms
from django.core.exceptions import ValidationError

LARGEST = 2**63 - 1


def whole_number(text: str, *, most: int = LARGEST) -> int | None:
    """The number that plain digits spell, up to ``most``; None for anything else.

    ``str.isdigit`` is also true of superscripts, which ``int`` refuses, as it does some thousands of
    digits; what fits no column of a database is no number of ours either.
    """
    if not (text.isascii() and text.isdigit() and len(text) <= len(str(LARGEST))):
        return None
    number = int(text)
    return number if number <= most else None


class RowField(forms.ModelChoiceField):  # type: ignore[type-arg]
    """A choice of one row by its number. A number that fits no column is no choice, as any unknown one.

    A key that is a foreign key itself goes to the database as it came, which cannot take it.
    """

    def to_python(self, value: Any) -> Any:
        if isinstance(value, str) and value and whole_number(value) is None:
            raise ValidationError(self.error_messages["invalid_choice"], code="invalid_choice")
        return super().to_python(value)

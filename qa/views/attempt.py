"""Doing what a form asks, with a refusal shown on that form."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeVar

from django import forms

from labtrack.errors import DomainError, NotFound

Done = TypeVar("Done")


def attempt(form: forms.BaseForm, act: Callable[[], Done]) -> Done | None:
    """Do it, or put the refusal on the form and return None; what is not there stays a 404."""
    try:
        return act()
    except NotFound:
        raise
    except DomainError as error:
        form.add_error(error.field if error.field in form.fields else None, error.sentence)
        return None

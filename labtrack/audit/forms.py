"""Filters of the record."""

from __future__ import annotations

from typing import Any

from django import forms

from labtrack.accounts.models import User
from labtrack.audit.queries import known_actions, known_subjects


class RecordFilterForm(forms.Form):
    person = forms.ModelChoiceField(User.objects.all(), required=False, label="Who", empty_label="Anybody")
    action = forms.ChoiceField(required=False, label="What was done")
    subject = forms.ChoiceField(required=False, label="To what")
    text = forms.CharField(required=False, label="Named", max_length=100)
    since = forms.DateField(required=False, label="From", widget=forms.DateInput(attrs={"type": "date"}))
    until = forms.DateField(required=False, label="To", widget=forms.DateInput(attrs={"type": "date"}))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["action"].choices = [("", "Anything"), *((one, one) for one in known_actions())]  # type: ignore[attr-defined]
        self.fields["subject"].choices = [("", "Anything"), *known_subjects()]  # type: ignore[attr-defined]

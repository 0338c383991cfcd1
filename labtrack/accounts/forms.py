"""Forms of people, sign-in and tokens: shape only; the services decide."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django import forms
from django.utils import timezone

from labtrack.accounts.choices import Capability, Role
from labtrack.accounts.hooks import person_fields
from labtrack.accounts.models import User

_CURRENT = forms.PasswordInput(attrs={"autocomplete": "current-password"})


class SignInForm(forms.Form):
    username = forms.CharField(
        label="Sign-in name",
        max_length=60,
        widget=forms.TextInput(
            attrs={"autocomplete": "username", "autofocus": True, "autocapitalize": "none"}
        ),
    )
    password = forms.CharField(strip=False, max_length=200, widget=_CURRENT)


class BadgeForm(forms.Form):
    badge = forms.CharField(
        label="Badge",
        max_length=200,
        help_text="Scan the badge: the scanner types the code and sends it.",
        widget=forms.PasswordInput(attrs={"autocomplete": "off", "autofocus": True}),
    )


class PinForm(forms.Form):
    operator = forms.TypedChoiceField(label="Name", coerce=int, choices=[])
    pin = forms.CharField(
        label="PIN",
        max_length=20,
        widget=forms.PasswordInput(attrs={"autocomplete": "off", "inputmode": "numeric"}),
    )

    def __init__(self, *args: Any, operators: list[User], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        names: Any = [("", "Choose…"), *((user.pk, user.name) for user in operators)]
        self.fields["operator"].choices = names  # type: ignore[attr-defined]


class PasswordForm(forms.Form):
    current = forms.CharField(label="Your password now", strip=False, max_length=200, widget=_CURRENT)
    new = forms.CharField(
        label="New password",
        strip=False,
        max_length=200,
        help_text="At least 10 characters; several plain words are good.",
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )
    again = forms.CharField(
        label="New password again",
        strip=False,
        max_length=200,
        widget=forms.PasswordInput(attrs={"autocomplete": "new-password"}),
    )

    def clean(self) -> dict[str, Any]:
        cleaned = super().clean() or {}
        if "new" in cleaned and cleaned["new"] != cleaned.get("again", cleaned["new"]):
            self.add_error("again", "The two new passwords differ.")
        return cleaned


class OwnPinForm(forms.Form):
    current = forms.CharField(label="Your password", strip=False, max_length=200, widget=_CURRENT)
    pin = forms.CharField(
        label="New PIN",
        max_length=8,
        required=False,
        help_text="4 to 8 digits. Leave it empty to have none.",
        widget=forms.PasswordInput(attrs={"autocomplete": "off", "inputmode": "numeric"}),
    )


class OwnBadgeForm(forms.Form):
    current = forms.CharField(label="Your password", strip=False, max_length=200, widget=_CURRENT)
    badge = forms.CharField(
        label="Badge",
        max_length=200,
        required=False,
        help_text="Scan the badge here. Leave it empty to have none.",
        widget=forms.PasswordInput(attrs={"autocomplete": "off"}),
    )


class PersonForm(forms.Form):
    """``user`` None adds a person. Upper apps' fields come from ``person_fields``."""

    username = forms.CharField(
        label="Sign-in name", max_length=60, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    name = forms.CharField(
        label="Full name", max_length=120, widget=forms.TextInput(attrs={"autocomplete": "off"})
    )
    role = forms.ChoiceField(choices=Role.choices)
    email = forms.EmailField(
        label="E-mail", required=False, widget=forms.EmailInput(attrs={"autocomplete": "off"})
    )

    def __init__(self, *args: Any, user: User | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if user is not None:
            del self.fields["username"]
            self.initial.update(name=user.name, role=user.role, email=user.email)
        for extra in person_fields:
            self.fields[extra.name] = extra.make()
            if user is not None:
                self.initial[extra.name] = extra.initial(user)

    def extra(self) -> dict[str, Any]:
        return {field.name: self.cleaned_data.get(field.name) for field in person_fields}


class TokenForm(forms.Form):
    name = forms.CharField(label="What uses it", max_length=80, help_text="For example: scanner in room 2.")
    scopes = forms.MultipleChoiceField(label="What it may do", widget=forms.CheckboxSelectMultiple)
    expires_on = forms.DateField(
        label="Until", help_text="The last day it works.", widget=forms.DateInput(attrs={"type": "date"})
    )

    def __init__(self, *args: Any, scopes: list[Capability], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["scopes"].choices = [(scope.value, f"{scope.label} ({scope.value})") for scope in scopes]  # type: ignore[attr-defined]
        self.initial.setdefault("expires_on", (timezone.localdate() + timedelta(days=365)).isoformat())

"""What upper apps add to people without this app knowing them: a clinic, for one."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

from django import forms

from labtrack.accounts.actor import Actor
from labtrack.accounts.models import User


@dataclass(frozen=True)
class PersonField:
    """A field of the people page that an upper app stores.

    ``make`` builds the form field; ``initial`` gives its value for a person; ``save`` stores it in the
    transaction that stores the person and raises ``Refused(field=name)`` when it does not fit the role;
    ``text`` is what the list of people shows.
    """

    name: str
    title: str
    make: Callable[[], forms.Field]
    initial: Callable[[User], Any]
    save: Callable[[Actor, User, Any], None]
    text: Callable[[User], str]


class PersonFields:
    def __init__(self) -> None:
        self._fields: dict[str, PersonField] = {}

    def add(self, field: PersonField) -> None:
        self._fields[field.name] = field

    def __iter__(self) -> Iterator[PersonField]:
        return iter(self._fields.values())


person_fields = PersonFields()

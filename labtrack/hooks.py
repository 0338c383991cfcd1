"""How a lower app sets off or shows something of an upper one without importing it.

The lower app owns a ``Hook`` or a ``Panels`` in its ``hooks.py``; the upper app adds to it in its
``AppConfig.ready``. Handlers run in the caller's transaction, in the order they were added.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

Thing = TypeVar("Thing")


class Hook(Generic[Thing]):
    """A named moment, such as "a mesh was attached"; handlers take the thing it happened to."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._handlers: list[Callable[[Thing], None]] = []

    def add(self, handler: Callable[[Thing], None]) -> None:
        """Add once, however often an app's ``ready`` runs."""
        if handler not in self._handlers:
            self._handlers.append(handler)

    def fire(self, thing: Thing) -> None:
        for handler in self._handlers:
            handler(thing)


@dataclass(frozen=True)
class Panel:
    """A piece of a page: a template and the function that fills it.

    ``context`` takes the page's subject and the request, and returns the template's variables or
    None when there is nothing to show.
    """

    name: str
    template: str
    context: Callable[[Any, Any], dict[str, Any] | None]
    order: int = 100


@dataclass(frozen=True)
class ShownPanel:
    """A panel that has something to say: its template and the variables for it."""

    template: str
    context: dict[str, Any]


class Panels:
    """The panels that upper apps put on a lower app's page."""

    def __init__(self, page: str) -> None:
        self.page = page
        self._panels: dict[str, Panel] = {}

    def add(self, panel: Panel) -> None:
        self._panels[panel.name] = panel

    def __iter__(self) -> Iterator[Panel]:
        return iter(sorted(self._panels.values(), key=lambda panel: (panel.order, panel.name)))

    def shown(self, subject: Any, request: Any) -> list[ShownPanel]:
        """The panels that have something to say of ``subject``, filled."""
        filled = ((panel, panel.context(subject, request)) for panel in self)
        return [ShownPanel(panel.template, context) for panel, context in filled if context is not None]

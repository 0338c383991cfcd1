"""Who acts: a person at a page, a script with a token, or a command."""

from __future__ import annotations

from dataclasses import dataclass

from labtrack.accounts.choices import Capability
from labtrack.accounts.models import User
from labtrack.errors import NotAllowed


@dataclass(frozen=True)
class Actor:
    """``scopes`` narrows a token below its owner's role; None means the role as it is."""

    user: User
    scopes: frozenset[Capability] | None = None
    via: str = "page"

    def may(self, capability: Capability) -> bool:
        allowed = capability in self.user.capabilities
        return allowed and (self.scopes is None or capability in self.scopes)

    def require(self, capability: Capability) -> None:
        """Raise ``NotAllowed`` with a sentence unless this actor may."""
        if self.may(capability):
            return
        if self.scopes is not None and capability not in self.scopes:
            raise NotAllowed(
                "scope-missing", f"This token lacks the scope {capability.value!r}. Make one that has it."
            )
        raise NotAllowed(
            "not-allowed",
            f"Your role ({self.user.get_role_display()}) does not include: {capability.label.lower()}.",
        )

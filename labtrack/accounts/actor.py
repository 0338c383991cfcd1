"""Who acts: a person at a page, a script with a token, or a command."""

from __future__ import annotations

from dataclasses import dataclass

from labtrack.accounts.choices import Capability
from labtrack.accounts.models import User
from labtrack.errors import NotAllowed


@dataclass(frozen=True)
class Actor:
    """``scopes`` narrows a token below its owner's role; None means the role as it is.

    ``by_password`` is False for an operator who took over a tablet by badge or PIN.
    """

    user: User
    scopes: frozenset[Capability] | None = None
    via: str = "page"
    by_password: bool = True

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

    def require_password(self, doing: str) -> None:
        """Raise ``NotAllowed`` for who switched in by badge or PIN, or acts through a token."""
        if not self.by_password or self.scopes is not None:
            raise NotAllowed(
                "password-needed", f"You came in by badge or PIN: {doing} needs a sign-in with your password."
            )

"""A token may do what its scopes and its owner's role both allow."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rest_framework.exceptions import NotAuthenticated
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from labtrack.accounts.choices import Capability
from labtrack.accounts.models import ApiToken
from labtrack.api.actor import api_actor

if TYPE_CHECKING:  # the framework's views load this module
    from rest_framework.views import APIView


class TokenScopePermission(BasePermission):
    """Refuses every view that names no scope, so a forgotten one is closed and not open."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        if not isinstance(request.auth, ApiToken):
            raise NotAuthenticated(
                "Send a token as: Authorization: Bearer <token>. People make tokens on the Tokens page."
            )
        needed = required_scope(view, request.method or "")
        if needed is None:
            return False
        api_actor(request).require(needed)
        return True


def required_scope(view: object, method: str) -> Capability | None:
    """The scope that ``view`` asks for ``method``; also what the API's schema says."""
    scopes: dict[str, Capability] = getattr(view, "method_scopes", {})
    default: Capability | None = getattr(view, "required_scope", None)
    return scopes.get(method.upper(), default)

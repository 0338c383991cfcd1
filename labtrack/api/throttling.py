"""How often a script may ask."""

from __future__ import annotations

from typing import TYPE_CHECKING

from rest_framework.request import Request
from rest_framework.throttling import SimpleRateThrottle

from labtrack.accounts.models import ApiToken

if TYPE_CHECKING:  # the framework's views load this module
    from rest_framework.views import APIView


class TokenRateThrottle(SimpleRateThrottle):
    """One allowance per token (``LABTRACK_API_RATE``); requests without one share their address's."""

    scope = "token"

    def get_cache_key(self, request: Request, view: APIView) -> str:
        if isinstance(request.auth, ApiToken):
            ident = f"token-{request.auth.pk}"
        else:
            ident = f"address-{self.get_ident(request)}"
        return self.cache_format % {"scope": self.scope, "ident": ident}

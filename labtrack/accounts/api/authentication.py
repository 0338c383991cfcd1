"""``Authorization: Bearer fl_...``"""

from __future__ import annotations

from rest_framework.authentication import BaseAuthentication, get_authorization_header
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.request import Request

from labtrack.accounts.models import ApiToken, User
from labtrack.accounts.services.tokens import TokenUnusable, use_token


class TokenAuthentication(BaseAuthentication):
    """The request acts as the token's owner; ``request.auth`` is the token."""

    keyword = "Bearer"

    def authenticate(self, request: Request) -> tuple[User, ApiToken] | None:
        words = get_authorization_header(request).split()
        if not words or words[0].lower() != b"bearer":
            return None
        if len(words) != 2:
            raise AuthenticationFailed("Send the token as: Authorization: Bearer <token>.")
        try:
            token = use_token(words[1].decode("ascii", "replace"))
        except TokenUnusable as refusal:
            raise AuthenticationFailed(str(refusal)) from None
        return token.owner, token

    def authenticate_header(self, request: Request) -> str:
        return 'Bearer realm="Fitledger"'

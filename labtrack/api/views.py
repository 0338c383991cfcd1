"""What every API view stands on."""

from __future__ import annotations

from typing import Any, ClassVar

from rest_framework.generics import GenericAPIView

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.api.actor import api_actor, idempotency_key


class ApiView(GenericAPIView[Any]):
    """Token, scope, rate limit, pages and problems. A view names its ``required_scope``.

    A view whose methods differ names the others in ``method_scopes``, such as
    ``{"POST": Capability.CASES_WRITE}``.
    """

    required_scope: ClassVar[Capability | None] = None
    method_scopes: ClassVar[dict[str, Capability]] = {}

    @property
    def actor(self) -> Actor:
        return api_actor(self.request)

    @property
    def key(self) -> str:
        return idempotency_key(self.request)

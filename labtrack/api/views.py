"""What every API view stands on."""

from __future__ import annotations

from typing import Any, ClassVar

from django.db.models import QuerySet
from drf_spectacular.utils import OpenApiParameter
from rest_framework import status
from rest_framework.generics import GenericAPIView
from rest_framework.response import Response

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.api.actor import api_actor, idempotency_key
from labtrack.audit.services.submissions import KEY_LENGTH

KEY = OpenApiParameter(
    "Idempotency-Key",
    str,
    OpenApiParameter.HEADER,
    description=f"Up to {KEY_LENGTH} characters. The same request with the same key changes nothing the "
    "second time.",
)


def made_status(repeated: bool) -> int:  # noqa: FBT001
    """201 for what a request made, 200 for what an earlier one had made already."""
    return status.HTTP_200_OK if repeated else status.HTTP_201_CREATED


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

    def listed(self, rows: QuerySet[Any]) -> Response:
        """One page of the rows, in the view's own shape."""
        page = self.paginate_queryset(rows)
        return self.get_paginated_response(self.get_serializer(page, many=True).data)

"""Reading request bodies within bounds."""

from __future__ import annotations

from collections.abc import Mapping
from http import HTTPStatus
from typing import IO, Any

from django.conf import settings
from rest_framework.exceptions import APIException, ParseError
from rest_framework.parsers import JSONParser


class TooLarge(APIException):
    status_code = HTTPStatus.REQUEST_ENTITY_TOO_LARGE
    default_detail = "The body is larger than this address takes."
    default_code = "too-large"


class BoundedJsonParser(JSONParser):
    """JSON up to ``DATA_UPLOAD_MAX_MEMORY_SIZE`` bytes; deep nesting is unreadable, not a crash."""

    def parse(
        self,
        stream: IO[Any],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> dict[str, Any]:
        limit = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
        request = (parser_context or {}).get("request")
        try:
            stated = int(request.META.get("CONTENT_LENGTH") or 0) if request is not None else 0
        except ValueError:
            raise ParseError("Content-Length is not a number.") from None
        if limit is not None and stated > limit:
            raise TooLarge(f"The body is larger than {limit // 1_000_000} MB.")
        try:
            return super().parse(stream, media_type, parser_context)
        except RecursionError:
            raise ParseError("The JSON is nested too deeply.") from None

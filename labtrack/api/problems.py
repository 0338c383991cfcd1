"""RFC 9457: every refusal of the API is ``application/problem+json``.

Members: ``type`` (about:blank), ``title`` (the status in words), ``status``, ``detail`` (a sentence for
a person), ``code`` (stable, for programs) and ``errors`` (one per bad field: ``field``, ``detail``,
``code``).
"""

from __future__ import annotations

import json
import logging
from collections.abc import Iterator, Mapping, Sequence
from http import HTTPStatus
from typing import Any

from django.core.exceptions import PermissionDenied, RequestDataTooBig, SuspiciousOperation
from django.http import Http404, HttpResponse
from rest_framework import exceptions
from rest_framework.response import Response
from rest_framework.serializers import as_serializer_error
from rest_framework.views import set_rollback

from labtrack.api.parsers import TooLarge
from labtrack.errors import DomainError, NotFound

log = logging.getLogger(__name__)

MEDIA_TYPE = "application/problem+json"
BROKEN = (
    "Something in Fitledger broke. Nothing of this request was stored; sending it again with the same "
    "Idempotency-Key is safe."
)
_CODES = {
    "parse_error": "unreadable",
    "not_authenticated": "token-missing",
    "authentication_failed": "token-unknown",
    "permission_denied": "not-allowed",
    "not_found": "not-found",
    "method_not_allowed": "method-not-allowed",
    "not_acceptable": "not-acceptable",
    "unsupported_media_type": "unsupported-media-type",
    "throttled": "too-many-requests",
    "invalid": "invalid",
}


def problem(
    *, status: int, code: str, detail: str, errors: Sequence[Mapping[str, str]] = ()
) -> dict[str, Any]:
    """The members of one problem."""
    body: dict[str, Any] = {
        "type": "about:blank",
        "title": HTTPStatus(status).phrase,
        "status": int(status),
        "detail": detail,
        "code": code,
    }
    if errors:
        body["errors"] = list(errors)
    return body


def problem_json(*, status: int, code: str, detail: str) -> HttpResponse:
    """A problem outside the API framework: an unknown address, a broken server."""
    body = json.dumps(problem(status=status, code=code, detail=detail))
    return HttpResponse(body, status=status, content_type=MEDIA_TYPE)


def problem_response(error: Exception, context: dict[str, Any]) -> Response:
    """The API framework's exception handler: never lets an exception out."""
    set_rollback()
    error = _translated(error)
    headers: dict[str, str] = {}
    if isinstance(error, DomainError):
        errors = [{"field": error.field, "detail": error.sentence, "code": error.code}] if error.field else []
        body = problem(status=error.status, code=error.code, detail=error.sentence, errors=errors)
    elif isinstance(error, exceptions.ValidationError):
        errors = list(_field_errors(as_serializer_error(error)))
        body = problem(status=422, code="invalid", detail=_invalid_sentence(errors), errors=errors)
    elif isinstance(error, exceptions.APIException):
        body = problem(status=error.status_code, code=_code(error), detail=str(error.detail))
        headers = _headers(error)
    else:
        log.exception("the API broke", exc_info=error)
        body = problem(status=500, code="broken", detail=BROKEN)
    response = Response(body, status=body["status"], headers=headers, content_type=MEDIA_TYPE)
    response.exception = True
    return response


def _translated(error: Exception) -> Exception:
    if isinstance(error, Http404):
        return NotFound()
    if isinstance(error, PermissionDenied):
        return exceptions.PermissionDenied()
    if isinstance(error, RequestDataTooBig):
        return TooLarge()
    if isinstance(error, SuspiciousOperation | UnicodeError):
        return exceptions.ParseError("The request could not be read.")
    return error


def _code(error: exceptions.APIException) -> str:
    code = error.get_codes()
    return _CODES.get(code, code) if isinstance(code, str) else "refused"


def _headers(error: exceptions.APIException) -> dict[str, str]:
    headers = {}
    if getattr(error, "auth_header", None):
        headers["WWW-Authenticate"] = str(error.auth_header)  # type: ignore[attr-defined]
    if getattr(error, "wait", None):
        headers["Retry-After"] = str(max(1, int(error.wait + 0.999)))  # type: ignore[attr-defined]
    return headers


def _field_errors(detail: Any, path: str = "") -> Iterator[dict[str, str]]:
    """Flatten a serializer's nested errors into ``steps.0.value`` paths."""
    if isinstance(detail, Mapping):
        for name, inner in detail.items():
            place = "" if name == "non_field_errors" else str(name)
            yield from _field_errors(inner, ".".join(part for part in (path, place) if part))
    elif isinstance(detail, list | tuple):
        for index, inner in enumerate(detail):
            nested = isinstance(inner, Mapping | list | tuple)
            yield from _field_errors(inner, f"{path}.{index}".lstrip(".") if nested else path)
    else:
        yield {"field": path, "detail": str(detail), "code": str(getattr(detail, "code", "invalid"))}


def _invalid_sentence(errors: Sequence[Mapping[str, str]]) -> str:
    if len(errors) == 1:
        field = errors[0]["field"]
        return f"{field}: {errors[0]['detail']}" if field else errors[0]["detail"]
    return f"{len(errors)} fields cannot be used as sent; each is named in errors."

"""Refusals outside a form: a page, or a notice when htmx asked for a part of one."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.http.response import HttpResponseBase

from labtrack.errors import DomainError
from labtrack.problem_pages import problem_page


class DomainErrorMiddleware:
    """Answer a ``DomainError`` that a view let pass with its sentence and its status."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponseBase]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponseBase:
        return self.get_response(request)

    def process_exception(self, request: HttpRequest, exception: Exception) -> HttpResponse | None:
        if not isinstance(exception, DomainError):
            return None
        return problem_page(request, status=exception.status, sentence=exception.sentence)

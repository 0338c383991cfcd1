"""Pages, notices and API problems for what cannot be shown: one look for every status."""

from __future__ import annotations

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.template import loader

from labtrack.api.problems import problem_json
from labtrack.web import asks_part

TITLES = {
    400: "That request cannot be read",
    403: "Not for this role",
    404: "Nothing here",
    405: "Not in this way",
    409: "This clashes with the record",
    413: "Too large",
    422: "This cannot be done as asked",
    429: "Too many tries",
    500: "Fitledger broke",
}
NOT_FOUND = "There is nothing here under that address."
BROKEN = (
    "Something in Fitledger broke. Nothing of this request was stored. Try again; if it happens again, "
    "tell the person who looks after this installation what you were doing."
)


def problem_page(request: HttpRequest, *, status: int, sentence: str) -> HttpResponse:
    """The problem as JSON under /api/, as a notice for htmx, else as a page."""
    if request.path.startswith("/api/v1/"):
        return problem_json(status=status, code=_code(status), detail=sentence)
    context = {"title": TITLES.get(status, "This cannot be done"), "sentence": sentence, "status": status}
    if asks_part(request):
        response = render(request, "labtrack/problem_notice.html", context, status=status)
        response["HX-Retarget"] = "#notices"
        response["HX-Reswap"] = "innerHTML show:window:top"
        return response
    return render(request, "labtrack/problem.html", context, status=status)


def bad_request(request: HttpRequest, exception: Exception) -> HttpResponse:
    return problem_page(request, status=400, sentence="The request could not be read. Go back and try again.")


def permission_denied(request: HttpRequest, exception: Exception) -> HttpResponse:
    return problem_page(request, status=403, sentence="You may not do this.")


def not_found(request: HttpRequest, exception: Exception) -> HttpResponse:
    return problem_page(request, status=404, sentence=NOT_FOUND)


def server_error(request: HttpRequest) -> HttpResponse:
    """Rendered without the page shell, which may be what broke."""
    if request.path.startswith("/api/v1/"):
        return problem_json(status=500, code=_code(500), detail=BROKEN)
    page = loader.render_to_string("labtrack/broken.html", {"title": TITLES[500], "sentence": BROKEN})
    return HttpResponse(page, status=500)


def csrf_failure(request: HttpRequest, reason: str = "") -> HttpResponse:
    """Django's ``CSRF_FAILURE_VIEW``."""
    return problem_page(
        request,
        status=403,
        sentence="This page was open for too long or cookies are off. Reload it and send it again.",
    )


def _code(status: int) -> str:
    return {400: "bad-request", 403: "not-allowed", 404: "not-found", 500: "broken"}.get(status, "refused")

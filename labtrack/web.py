"""What every page's view stands on: who acts, what they may, keys of submissions, CSV."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import wraps
from typing import Any, Concatenate, ParamSpec, TypeVar, cast

from django import forms
from django.conf import settings
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse, HttpResponseBase, QueryDict, StreamingHttpResponse
from django.urls import reverse
from django.utils.http import urlencode

from labtrack.accounts.actor import Actor
from labtrack.accounts.choices import Capability
from labtrack.accounts.models import User
from labtrack.audit.services.submissions import KEY_LENGTH
from labtrack.cells import safe_cell
from labtrack.errors import DomainError, NotFound

# Session mark of an operator who took over a tablet by badge or PIN.
SWITCHED = "switched"

Done = TypeVar("Done")
Rest = ParamSpec("Rest")
View = Callable[Concatenate[HttpRequest, Rest], HttpResponseBase]


def actor_of(request: HttpRequest) -> Actor:
    """The signed-in person as the actor of a use case."""
    return Actor(cast(User, request.user), via="page", by_password=SWITCHED not in request.session)


def page(*needed: Capability) -> Callable[[View[Rest]], View[Rest]]:
    """A view for signed-in people who may all of ``needed``; others get a sentence and 403."""

    def decorate(view: View[Rest]) -> View[Rest]:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Rest.args, **kwargs: Rest.kwargs) -> HttpResponseBase:
            actor = actor_of(request)
            for capability in needed:
                actor.require(capability)
            return view(request, *args, **kwargs)

        return cast("View[Rest]", _unkept(_for_parts(login_required(guarded))))

    return decorate


def _unkept(view: View[Rest]) -> View[Rest]:
    """Let no browser keep the answer, unless the view says for how long: tablets are shared.

    Else the Back button shows a page again after signing out or handing over.
    """

    @wraps(view)
    def unkept(request: HttpRequest, *args: Rest.args, **kwargs: Rest.kwargs) -> HttpResponseBase:
        answer = view(request, *args, **kwargs)
        if not answer.has_header("Cache-Control"):
            answer["Cache-Control"] = "private, no-store"
        return answer

    return cast("View[Rest]", unkept)


def _for_parts(view: View[Rest]) -> View[Rest]:
    """When a session ends under a page that refreshes itself, lead the whole page to the sign-in."""

    @wraps(view)
    def guarded(request: HttpRequest, *args: Rest.args, **kwargs: Rest.kwargs) -> HttpResponseBase:
        if asks_part(request) and not request.user.is_authenticated:
            back = request.htmx.current_url_abs_path or "/"  # type: ignore[attr-defined]
            address = f"{reverse(settings.LOGIN_URL)}?{urlencode({'next': back})}"
            return HttpResponse(status=204, headers={"HX-Redirect": address})
        return view(request, *args, **kwargs)

    return cast("View[Rest]", guarded)


def asks_part(request: HttpRequest) -> bool:
    """Whether htmx asks, to put the answer in a place of the page that is open."""
    return bool(getattr(request, "htmx", False))


def client_address(request: HttpRequest) -> str:
    """Who asks, past as many proxies as the installation says it has."""
    proxies: int = settings.TRUSTED_PROXIES
    chain: list[str] = [
        part.strip() for part in request.META.get("HTTP_X_FORWARDED_FOR", "").split(",") if part.strip()
    ]
    if proxies and chain:
        return chain[-min(proxies, len(chain))]
    return str(request.META.get("REMOTE_ADDR", ""))


def add_refusal(form: forms.BaseForm, error: DomainError) -> None:
    """Show a refusal at the field it is about, or at the top of the form."""
    form.add_error(error.field if error.field in form.fields else None, error.sentence)


def attempt(form: forms.BaseForm, act: Callable[[], Done]) -> Done | None:
    """Do it, or put the refusal on the form and return None; what is not there stays a 404."""
    try:
        return act()
    except NotFound:
        raise
    except DomainError as error:
        add_refusal(form, error)
        return None


def submission_key(request: HttpRequest) -> str:
    """The idempotency key that the form carried (see the ``submission_key`` template tag)."""
    return str(request.POST.get("submission_key", ""))[:KEY_LENGTH]


def posted(request: HttpRequest) -> QueryDict | None:
    """What a form was sent with, for binding it: also when that is nothing, so that it is then refused."""
    return request.POST if request.method == "POST" else None


class _Echo:
    def write(self, line: str) -> str:
        return line


def csv_response(name: str, columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> StreamingHttpResponse:
    """Stream rows as CSV under a file name; text cells are made safe for spreadsheets."""
    writer = csv.writer(_Echo())

    def lines() -> Iterator[str]:
        yield writer.writerow([safe_cell(column) for column in columns])
        for row in rows:
            yield writer.writerow([safe_cell(cell) for cell in row])

    response = StreamingHttpResponse(lines(), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{name}"'
    return response

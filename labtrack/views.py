"""The first page and the health check."""

from __future__ import annotations

from django.db import connection
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from labtrack.shell import home_panels
from labtrack.web import page


@require_safe
@page()
def home(request: HttpRequest) -> HttpResponse:
    """What needs me now: the panels that apply to this person."""
    return render(request, "labtrack/home.html", {"panels": home_panels.shown(request.user, request)})


@require_safe
def health(request: HttpRequest) -> JsonResponse:
    """For supervisors: 200 when the database answers."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
    return JsonResponse({"status": "ok"})

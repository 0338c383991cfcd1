"""Where everything is. Pages first, then the API."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path

from labtrack.views import health, home

urlpatterns: list[URLPattern | URLResolver] = [
    path("", home, name="home"),
    path("health/", health, name="health"),
    path("", include("labtrack.accounts.urls")),
    path("", include("labtrack.audit.urls")),
    path("", include("cases.urls")),
    path("", include("production.urls")),
    path("", include("qa.urls")),
    path("api/", include("labtrack.api.urls")),
]

handler400 = "labtrack.problem_pages.bad_request"
handler403 = "labtrack.problem_pages.permission_denied"
handler404 = "labtrack.problem_pages.not_found"
handler500 = "labtrack.problem_pages.server_error"

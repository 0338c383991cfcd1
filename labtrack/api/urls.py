"""The API's routes; each app brings its own."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    path("v1/", include("cases.api.urls")),
    path("v1/", include("production.api.urls")),
    path("v1/", include("qa.api.urls")),
]

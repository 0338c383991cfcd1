"""The API's routes; each app brings its own."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path

from labtrack.api.docs import docs
from labtrack.api.schema import SchemaView

urlpatterns: list[URLPattern | URLResolver] = [
    path("docs/", docs, name="api-docs"),
    path("v1/schema/", SchemaView.as_view(), name="api-schema"),
    path("v1/", include("cases.api.urls")),
    path("v1/", include("production.api.urls")),
    path("v1/", include("qa.api.urls")),
]

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from labtrack.audit.views.record import record

app_name = "audit"
urlpatterns: list[URLPattern | URLResolver] = [path("record/", record, name="record")]

from __future__ import annotations

from django.urls import URLPattern, URLResolver

app_name = "qa"
urlpatterns: list[URLPattern | URLResolver] = []

from __future__ import annotations

from django.urls import URLPattern, URLResolver

app_name = "accounts"
urlpatterns: list[URLPattern | URLResolver] = []

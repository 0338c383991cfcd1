"""The API's addresses of the shop."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from production.api import views

urlpatterns: list[URLPattern | URLResolver] = [
    path("builds/", views.BuildListView.as_view(), name="api-builds"),
    path("builds/<int:number>/", views.BuildView.as_view(), name="api-build"),
    path("builds/<int:number>/start/", views.BuildStartView.as_view(), name="api-build-start"),
    path("builds/<int:number>/end/", views.BuildEndView.as_view(), name="api-build-end"),
    path("parts/<slug:mark>/", views.PartView.as_view(), name="api-part"),
    path("equipment/", views.EquipmentListView.as_view(), name="api-equipment"),
    path("equipment/<slug:code>/events/", views.EventListView.as_view(), name="api-equipment-events"),
]

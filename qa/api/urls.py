"""The API's addresses of quality."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from qa.api import views

urlpatterns: list[URLPattern | URLResolver] = [
    path("meshes/<int:mesh_id>/check/", views.MeshCheckView.as_view(), name="api-mesh-check"),
    path("inspections/", views.InspectionListView.as_view(), name="api-inspections"),
    path("evidence/", views.EvidenceView.as_view(), name="api-evidence"),
    path("trends/", views.TrendListView.as_view(), name="api-trends"),
    path("trends/<slug:name>/", views.TrendView.as_view(), name="api-trend"),
]

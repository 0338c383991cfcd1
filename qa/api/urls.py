"""The API's addresses of quality."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from qa.api import check_views, measuring, views

urlpatterns: list[URLPattern | URLResolver] = [
    path("meshes/<int:mesh_id>/check/", check_views.MeshCheckView.as_view(), name="api-mesh-check"),
    path("meshes/<int:mesh_id>/insertion/", check_views.InsertionView.as_view(), name="api-insertion"),
    path("meshes/<int:mesh_id>/layers/", check_views.MeshLayersView.as_view(), name="api-mesh-layers"),
    path(
        "meshes/<int:mesh_id>/print-time/",
        check_views.MeshPrintTimeView.as_view(),
        name="api-mesh-print-time",
    ),
    path("limits/", check_views.LimitsView.as_view(), name="api-limits"),
    path("limits/<int:version>/", check_views.LimitVersionView.as_view(), name="api-limit-version"),
    path("cases/<int:number>/series/", check_views.CaseSeriesView.as_view(), name="api-case-series"),
    path(
        "cases/<int:number>/series/<int:line_id>/<slug:arch>/",
        check_views.SeriesView.as_view(),
        name="api-series",
    ),
    path("meshes/<int:mesh_id>/landmarks/", measuring.LandmarksView.as_view(), name="api-landmarks"),
    path("parts/<slug:mark>/comparisons/", measuring.PartComparisonsView.as_view(), name="api-comparisons"),
    path("parts/<slug:mark>/calipers/", measuring.PartCalipersView.as_view(), name="api-calipers"),
    path("comparisons/<int:pk>/", measuring.ComparisonView.as_view(), name="api-comparison"),
    path("proofs/", measuring.ProofListView.as_view(), name="api-proofs"),
    path("inspections/", views.InspectionListView.as_view(), name="api-inspections"),
    path("evidence/", views.EvidenceView.as_view(), name="api-evidence"),
    path("trends/", views.TrendListView.as_view(), name="api-trends"),
    path("trends/<slug:name>/", views.TrendView.as_view(), name="api-trend"),
]

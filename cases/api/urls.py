"""The API's addresses of cases."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from cases.api import views

urlpatterns: list[URLPattern | URLResolver] = [
    path("clinics/", views.ClinicListView.as_view(), name="api-clinics"),
    path("clinics/<slug:code>/", views.ClinicView.as_view(), name="api-clinic"),
    path("cases/", views.CaseListView.as_view(), name="api-cases"),
    path("cases/<int:number>/", views.CaseView.as_view(), name="api-case"),
    path("cases/<int:number>/appliances/", views.ApplianceListView.as_view(), name="api-appliances"),
    path("cases/<int:number>/meshes/", views.MeshListView.as_view(), name="api-meshes"),
    path("cases/<int:number>/meshes/<int:mesh_id>/", views.MeshView.as_view(), name="api-mesh"),
]

"""Pages of cases and clinics."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from cases.views import case, clinics, listing, log, meshes

app_name = "cases"
urlpatterns: list[URLPattern | URLResolver] = [
    path("cases/", listing.list_cases, name="list"),
    path("cases/log/", log.log, name="log"),
    path("cases/<int:number>/", case.show, name="case"),
    path("cases/<int:number>/change/", case.change, name="change"),
    path("cases/<int:number>/void/", case.void, name="void"),
    path("cases/<int:number>/ask/", case.ask, name="ask"),
    path("cases/<int:number>/answer/", case.answer, name="answer"),
    path("cases/<int:number>/lines/", case.add_line, name="add-line"),
    path("cases/<int:number>/appliances/<int:appliance_id>/", case.appliance, name="appliance"),
    path("cases/<int:number>/appliances/<int:appliance_id>/cancel/", case.cancel, name="cancel"),
    path("cases/<int:number>/appliances/<int:appliance_id>/remake/", case.remake, name="remake"),
    path("cases/<int:number>/meshes/", meshes.meshes, name="meshes"),
    path("cases/<int:number>/meshes/assign/", meshes.assign, name="assign"),
    path("cases/<int:number>/meshes/<int:mesh_id>/", meshes.mesh, name="mesh"),
    path("cases/<int:number>/meshes/<int:mesh_id>/row/", meshes.row, name="mesh-row"),
    path("cases/<int:number>/meshes/<int:mesh_id>/file/", meshes.file, name="mesh-file"),
    path("cases/<int:number>/meshes/<int:mesh_id>/restate/", meshes.restate, name="restate"),
    path("cases/<int:number>/meshes/<int:mesh_id>/replace/", meshes.replace, name="replace"),
    path("cases/<int:number>/meshes/<int:mesh_id>/withdraw/", meshes.withdraw, name="withdraw"),
    path("clinics/", clinics.clinics, name="clinics"),
    path("clinics/<int:clinic_id>/", clinics.clinic, name="clinic"),
]

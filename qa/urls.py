from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from qa.views import checks, inspect, kinds, limits, release, trends

app_name = "qa"
urlpatterns: list[URLPattern | URLResolver] = [
    path("checks/<int:mesh_id>/", checks.check, name="check"),
    path("checks/<int:mesh_id>/again/", checks.again, name="check-again"),
    path("checks/<int:mesh_id>/preview/", checks.preview, name="preview"),
    path("checks/<int:mesh_id>/layers.csv", checks.profile, name="check-profile"),
    path("limits/", limits.limits, name="limits"),
    path("inspect/", inspect.inspect, name="inspect"),
    path("inspect/pass/", inspect.pass_many, name="pass-many"),
    path("inspect/parts/<int:part_id>/", inspect.inspect_part, name="inspect-part"),
    path("inspect/pieces/<int:piece_id>/", inspect.inspect_piece, name="inspect-piece"),
    path("inspect/records/<int:inspection_id>/", inspect.inspection, name="inspection"),
    path("inspect/photos/<int:defect_id>/", inspect.photo, name="photo"),
    path("inspect/kinds/", kinds.kinds, name="kinds"),
    path("inspect/kinds/<int:kind_id>/", kinds.kind, name="kind"),
    path("release/<int:number>/", release.release, name="release"),
    path("release/<int:number>/sign/", release.sign_release, name="sign"),
    path("release/<int:number>/concede/", release.concede, name="concede"),
    path("release/withdraw/<int:release_number>/", release.withdraw, name="withdraw"),
    path("trends/", trends.trends, name="trends"),
    path("trends/records/", trends.records, name="trend-records"),
    path("trends/<slug:name>.csv", trends.trend_csv, name="trend-csv"),
]

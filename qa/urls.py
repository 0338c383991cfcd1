from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from qa.views import actions, checks, evidence, inspect, kinds, limits, planned, release, series, trends

app_name = "qa"
urlpatterns: list[URLPattern | URLResolver] = [
    path("checks/<int:mesh_id>/", checks.check, name="check"),
    path("checks/<int:mesh_id>/again/", checks.again, name="check-again"),
    path("checks/<int:mesh_id>/preview/", checks.preview, name="preview"),
    path("checks/<int:mesh_id>/maps/<slug:name>/", checks.surface_map, name="map"),
    path("checks/<int:mesh_id>/layers.csv", checks.profile, name="check-profile"),
    path("series/<int:number>/<int:line_id>/<slug:arch>/", series.series, name="series"),
    path("series/<int:number>/<int:line_id>/<slug:arch>/again/", series.again, name="series-again"),
    path("series/<int:number>/<int:line_id>/<slug:arch>/stages.csv", series.series_csv, name="series-csv"),
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
    path("trends/baseline/", trends.baseline_freeze, name="baseline-freeze"),
    path("trends/baseline/<int:baseline_id>/end/", trends.baseline_end, name="baseline-end"),
    path("trends/week/", evidence.this_week, name="this-week"),
    *(
        path(f"trends/{place}/", evidence.evidence_page, {"place": place}, name=place)
        for place in evidence.TITLES
    ),
    path("trends/costs/", evidence.costs, name="costs"),
    path("trends/again/", evidence.analyse_again, name="analyse-again"),
    path("trends/actions/", actions.actions, name="actions"),
    path("trends/actions/open/", actions.action_open, name="action-open"),
    path("trends/actions/<int:action_id>/", actions.action, name="action"),
    path("trends/actions/<int:action_id>/close/", actions.action_close, name="action-close"),
    path("trends/comparisons/", planned.planned, name="planned"),
    path("trends/comparisons/plan/", planned.plan_open, name="plan-open"),
    path("trends/comparisons/<int:comparison_id>/", planned.planned_one, name="planned-one"),
    path("trends/comparisons/<int:comparison_id>/runs.csv", planned.planned_csv, name="planned-csv"),
    path("trends/comparisons/<int:comparison_id>/close/", planned.planned_close, name="planned-close"),
    path("trends/comparisons/runs/<int:run_id>/", planned.planned_run, name="planned-run"),
    path("trends/<slug:place>/<slug:name>.csv", evidence.evidence_csv, name="evidence-csv"),
    path("trends/<slug:name>.csv", trends.trend_csv, name="trend-csv"),
]

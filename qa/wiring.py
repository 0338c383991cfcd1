"""What quality adds to the apps below it: handlers, panels, trace lines, the mesh reader, its job."""

from __future__ import annotations

from cases import hooks as cases_hooks
from labtrack.hooks import Panel
from labtrack.shell import home_panels
from production import hooks as production_hooks
from qa import hook_handlers, panels
from qa.services import analyses, checks, comparison_pictures, comparisons, narrowed_trends
from qa.services.mesh_description import describe_mesh
from qa.services.release import refuse_unreleased
from qa.trace import part_events, piece_events


def connect() -> None:
    """Called once when the app starts; adding twice adds nothing."""
    checks.register_handler()
    analyses.register_handler()
    narrowed_trends.register_handler()
    comparisons.register_handler()
    comparison_pictures.register_handler()
    cases_hooks.mesh_reader.use(describe_mesh)
    cases_hooks.mesh_attached.add(hook_handlers.on_mesh_attached)
    cases_hooks.appliance_remade.add(hook_handlers.on_appliance_remade)
    if "checks" not in cases_hooks.mesh_prefetches:
        cases_hooks.mesh_prefetches.append("checks")
    production_hooks.preparation_made.add(hook_handlers.on_preparation_made)
    production_hooks.part_changed.add(hook_handlers.on_part_changed)
    production_hooks.piece_changed.add(hook_handlers.on_piece_changed)
    production_hooks.build_changed.add(hook_handlers.on_build_changed)
    production_hooks.tank_changed.add(hook_handlers.on_tank_changed)
    production_hooks.equipment_changed.add(hook_handlers.on_equipment_changed)
    production_hooks.treatment_recorded.add(hook_handlers.on_treatment_recorded)
    production_hooks.leaving.add(refuse_unreleased)
    production_hooks.part_trace_sources.add(part_events)
    production_hooks.piece_trace_sources.add(piece_events)
    _add_panels()


def _add_panels() -> None:
    cases_hooks.mesh_panels.add(Panel("check", "qa/panels/mesh_check.html", panels.mesh_check))
    cases_hooks.case_panels.add(
        Panel("release", "qa/panels/case_release.html", panels.case_release, order=60)
    )
    cases_hooks.case_panels.add(Panel("series", "qa/panels/case_series.html", panels.case_series, order=20))
    production_hooks.part_panels.add(
        Panel("inspections", "qa/panels/inspections.html", panels.part_inspections)
    )
    production_hooks.piece_panels.add(
        Panel("inspections", "qa/panels/inspections.html", panels.piece_inspections)
    )
    production_hooks.build_panels.add(
        Panel("print-time", "qa/panels/print_time.html", panels.build_time, order=40)
    )
    measured = "qa/panels/part_measured.html"
    production_hooks.part_panels.add(Panel("measured", measured, panels.part_measured, order=110))
    production_hooks.piece_panels.add(Panel("measured", measured, panels.piece_measured, order=110))
    production_hooks.bench_panels.add(Panel("proofs", "qa/panels/bench_proofs.html", panels.bench_proofs))
    production_hooks.bench_panels.add(
        Panel("runs", "qa/panels/bench_runs.html", panels.bench_runs, order=110)
    )
    cases_hooks.case_panels.add(
        Panel("measured", "qa/panels/case_measured.html", panels.case_measured, order=70)
    )
    production_hooks.lab_panels.add(Panel("limits", "qa/panels/limits.html", panels.limits, order=80))
    home_panels.add(Panel("inspect", "qa/panels/home_inspect.html", panels.home_inspect, order=40))
    home_panels.add(Panel("release", "qa/panels/home_release.html", panels.home_release, order=50))
    home_panels.add(Panel("checks", "qa/panels/home_checks.html", panels.home_checks, order=30))
    home_panels.add(Panel("actions", "qa/panels/home_actions.html", panels.home_actions, order=70))

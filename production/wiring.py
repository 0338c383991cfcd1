"""What production adds to the apps below it: how far appliances are, panels, and what stops a void."""

from __future__ import annotations

from cases import hooks as cases_hooks
from labtrack.hooks import Panel
from labtrack.shell import home_panels
from production import panels, progress


def connect() -> None:
    """Called once when the app starts; adding twice adds nothing."""
    cases_hooks.appliance_progress.add(progress.progress_of)
    cases_hooks.delivered_appliances.add(progress.delivered_appliance_ids)
    cases_hooks.case_voiding.add(progress.refuse_void_in_work)
    cases_hooks.appliance_cancelling.add(progress.refuse_cancel_in_work)
    cases_hooks.mesh_withdrawing.add(progress.refuse_withdrawal_of_prepared)
    cases_hooks.case_panels.add(Panel("pieces", "production/panels/case_pieces.html", panels.case_pieces, 50))
    home_panels.add(Panel("bench", "production/panels/home_bench.html", panels.home_bench, 20))
    home_panels.add(Panel("fit", "production/panels/home_fit.html", panels.home_fit, 25))
    home_panels.add(Panel("approvals", "production/panels/home_approvals.html", panels.home_approvals, 35))

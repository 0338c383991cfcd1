"""The charts of the trends: each a figure, its numbers, n, method, and what it cannot tell yet."""

from __future__ import annotations

from collections.abc import Callable

from qa.queries.tally import TallyView
from qa.queries.trend_names import Names
from qa.trend_charts.ages import tank_builds, tank_days
from qa.trend_charts.levels import printers, resins
from qa.trend_charts.origins import origins
from qa.trend_charts.periods import periods
from qa.trend_charts.rare import rare
from qa.trend_charts.steps import steps
from qa.trend_charts.trend import Trend
from qa.trend_charts.weeks import weeks

BUILDERS: dict[str, Callable[[TallyView, Names], Trend]] = {
    "weeks": weeks,
    "rare": rare,
    "periods": periods,
    "tank-days": tank_days,
    "tank-builds": tank_builds,
    "steps": steps,
    "printers": printers,
    "resins": resins,
    "origins": origins,
}

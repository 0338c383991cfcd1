"""The rate against each item of the work instructions: done as instructed, or not."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from labtrack.charts import SERIES, Cell, Chart
from production.choices import NOT_RECORDED, AnswerStatus
from qa.choices import STEP_AXIS
from qa.queries.tally import NOTHING, Tally, TallyView
from qa.queries.trend_names import Names
from qa.statistics.proportions import NEWCOMBE, newcombe
from qa.statistics.results import Verdict
from qa.trend_charts.addresses import csv_url, records_url
from qa.trend_charts.rates import more, per_100
from qa.trend_charts.trend import CANNOT_TELL, Trend

FOLLOWED = (AnswerStatus.WITHIN,)
NOT_FOLLOWED = (AnswerStatus.NOT_DONE, AnswerStatus.OUT_OF_LIMITS)


COLUMNS = (
    "item",
    "followed, n",
    "followed, per 100",
    "not followed, n",
    "not followed, per 100",
    "difference per 100",
    "95 % from",
    "95 % to",
    "not recorded, n",
    "not recorded, per 100",
    "does not apply, n",
    "can it be told?",
)
NOTE = (
    "A filled mark is a difference that is shown, an open one cannot be told yet. Followed: done within "
    "limits. Not followed: not done, or done out of limits. Not recorded is neither, and stands apart. "
    "Each item is looked at by itself: of twenty without any effect one may show by chance. Causes looks at "
    "all of them together, adjusted for one another."
)
METHOD = f"Difference of two rates on the effective n ({NEWCOMBE.name}: {NEWCOMBE.source})."


def steps(view: TallyView, names: Names) -> Trend:
    """Difference between parts whose item was not done as instructed and parts where it was."""
    found = [_step(view, axis, names) for axis in view.levels if axis.startswith(STEP_AXIS)]
    told = sorted((step for step in found if step.difference is not None), key=lambda step: -step.order)
    silent = sorted((step for step in found if step.difference is None), key=lambda step: step.text)
    both = told + silent
    return Trend(
        question="Which steps matter?",
        chart=Chart(
            name="steps",
            title=f"{view.measure.label} when a step was not done as instructed",
            figure=_figure(list(reversed(told))),
            columns=COLUMNS,
            rows=[step.row for step in both],
            csv_url=csv_url(view, "steps"),
            note=NOTE,
        ),
        sentence=_steps_sentence(told),
        method=METHOD,
        data=[step.datum for step in both],
    )


def _figure(shown: list[_StepRates]) -> dict[str, Any]:
    return {
        "data": [
            {
                "type": "scatter",
                "mode": "markers",
                "x": [step.difference for step in shown],
                "y": [step.text for step in shown],
                "customdata": [step.url for step in shown],
                "marker": {
                    "size": 11,
                    "color": SERIES[0],
                    "symbol": ["circle" if step.is_shown else "circle-open" for step in shown],
                },
                "error_x": {
                    "type": "data",
                    "symmetric": False,
                    "array": [step.high - (step.difference or 0.0) for step in shown],
                    "arrayminus": [(step.difference or 0.0) - step.low for step in shown],
                    "color": SERIES[0],
                    "thickness": 2,
                },
                "hovertemplate": "%{y}: %{x:+.1f} per 100<extra></extra>",
                "showlegend": False,
            }
        ],
        "layout": {
            "height": max(240, 90 + 34 * len(shown)),
            "xaxis": {"title": {"text": "More per 100 when not done as instructed"}, "zeroline": True},
            "yaxis": {"automargin": True},
        },
    }


@dataclass(frozen=True)
class _StepRates:
    text: str
    url: str
    row: list[Any]
    datum: dict[str, Any]
    difference: float | None = None
    low: float = 0.0
    high: float = 0.0
    is_shown: bool = False

    @property
    def order(self) -> float:
        """What is shown first; then by what the interval still allows."""
        return (1000.0 if self.is_shown and self.low > 0 else 0.0) + (self.difference or 0.0)


def _sum(levels: dict[str, Tally], names: tuple[str, ...]) -> Tally:
    chosen = [levels.get(name, NOTHING) for name in names]
    return Tally(sum(one.n for one in chosen), sum(one.bad for one in chosen))


def _step(view: TallyView, axis: str, names: Names) -> _StepRates:
    code = axis.removeprefix(STEP_AXIS)
    text = names.items.get(code, code)
    levels = view.axis(axis)
    done, undone = _sum(levels, FOLLOWED), _sum(levels, NOT_FOLLOWED)
    silent, inapplicable = levels.get(NOT_RECORDED, NOTHING), levels.get(AnswerStatus.NOT_APPLICABLE, NOTHING)
    url = records_url(view, axis, AnswerStatus.NOT_DONE, AnswerStatus.OUT_OF_LIMITS)
    counts = {
        "item": code,
        "followed_n": done.n,
        "followed_count": done.bad,
        "not_followed_n": undone.n,
        "not_followed_count": undone.bad,
        "not_recorded_n": silent.n,
        "not_recorded_count": silent.bad,
        "not_applicable_n": inapplicable.n,
    }
    rates = [per_100(one.bad / one.n if one.n else None) for one in (done, undone, silent)]

    def row(difference: float | None, low: float | None, high: float | None, word: str) -> list[Any]:
        return [
            Cell(text, url),
            done.n,
            rates[0],
            undone.n,
            rates[1],
            difference,
            low,
            high,
            Cell(silent.n, records_url(view, axis, NOT_RECORDED)),
            rates[2],
            inapplicable.n,
            word,
        ]

    if not done.n or not undone.n:
        word = f"{CANNOT_TELL}: " + ("it was always followed" if done.n else "it was never followed")
        return _StepRates(text, url, row(None, None, None, word), counts | {"verdict": "unknown"})
    gap = newcombe(
        undone.bad,
        undone.n,
        done.bad,
        done.n,
        n_effective_a=view.spread.effective(undone.n),
        n_effective_b=view.spread.effective(done.n),
    )
    difference = round(100 * gap.difference, 2)
    low, high = round(100 * (gap.interval.low or 0.0), 2), round(100 * (gap.interval.high or 0.0), 2)
    is_shown = gap.verdict == Verdict.SHOWN
    word = "yes" if is_shown else CANNOT_TELL + more(gap.rate_a, gap.rate_b, undone.n, done.n, view)
    datum = counts | {
        "difference_per_100": difference,
        "ci95": [low, high],
        "verdict": "shown" if is_shown else "unknown",
    }
    return _StepRates(text, url, row(difference, low, high, word), datum, difference, low, high, is_shown)


def _steps_sentence(told: list[_StepRates]) -> str:
    shown = [step for step in told if step.is_shown and step.low > 0]
    if not shown:
        return f"{CANNOT_TELL.capitalize()} of any step that leaving it out costs good work."
    first = shown[0]
    others = f" {len(shown) - 1} more below." if len(shown) > 1 else ""
    return (
        f"“{first.text}” not done as instructed: {first.difference:+.1f} per 100 "
        f"(95 % {first.low:.1f} to {first.high:.1f}).{others}"
    )

"""Judge the evidence engine on simulated labs with known truth.

    python -m tests.studies.evidence --labs 1000 --seed 1

Every figure is of whole reports, as ``manage.py evidence --json`` gives them. Bands: the planted
factor's interval covers this lab's own truth in at least 93 %; a lab with nothing planted is told of
something in at most 6.7 % (the largest count that chance at 5 % allows in 1,000); a planted categorical
cause, or the alias group holding it, ranks first in at least 93 % of labs of 600 parts, a tank's age in
93 % of labs of 2,000; tied causes are one group in at least 95 %, and the wrong one never stands alone.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import time
from collections.abc import Iterable
from dataclasses import dataclass, field

from qa.statistics.evidence import EvidenceReport, evidence
from qa.statistics.results import Verdict
from tests.studies.labs import Lab, Setting, simulate

SETTINGS = (
    Setting("nothing, 600 parts", None, 600),
    Setting("nothing, 2,000 parts", None, 2000),
    Setting("wash skipped", "step:wash", 600),
    Setting("one printer", "printer", 600),
    Setting("one operator", "operator", 600),
    Setting("one colour", "colour", 600),
    Setting("no supports", "supports", 600),
    Setting("tank age", "days_since_filter", 2000, "age"),
    Setting("tank age, counted from new", "days_since_filter", 2000, "age from new"),
    Setting("wash tied to operator", "step:wash", 600, tied_to="operator"),
    Setting("operator tied to printer", "operator", 600, tied_to="printer"),
    Setting("wash on one printer only", "step:wash", 2000, "one printer", worth=10.0),
)
COVER, FIRST, GROUPED = 0.93, 0.93, 0.95
CLAIMS = 0.067


@dataclass
class Tally:
    """Counts over the labs of one setting."""

    setting: Setting
    labs: int = 0
    told: int = 0
    first: int = 0
    shown: int = 0
    covered: int = 0
    grouped: int = 0
    wrong_alone: int = 0
    tanks: int = 0
    interaction: int = 0
    null_rows: int = 0
    null_covered: int = 0
    widths: list[float] = field(default_factory=list)
    truths: list[float] = field(default_factory=list)
    seconds: float = 0.0

    def add(self, lab: Lab, report: EvidenceReport) -> None:
        """Judge one lab's report against its truth."""
        self.labs += 1
        rows = {cause.factor: cause for cause in report.causes.causes}
        self.told += tells_something(report)
        self.tanks += report.tanks.verdict is Verdict.SHOWN
        self.interaction += report.equipment_x_practice.interaction.verdict is Verdict.SHOWN
        planted = self.setting.factor
        for name, row in rows.items():
            tied = planted is not None and (
                name == self.setting.tied_to or name in rows[planted].inseparable_from
            )
            if name != planted and not tied:
                self.null_rows += 1
                self.null_covered += row.interval.contains(0.0)
        if planted is None:
            return
        row, top = rows[planted], report.causes.causes[0]
        low, high = row.interval.low, row.interval.high
        assert low is not None and high is not None
        self.first += top.factor == planted or planted in top.inseparable_from
        self.shown += row.verdict is Verdict.SHOWN
        self.covered += row.interval.contains(lab.saved[planted])
        self.widths.append(high - low)
        self.truths.append(lab.saved[planted])
        if self.setting.tied_to is not None:
            other = rows[self.setting.tied_to]
            self.grouped += self.setting.tied_to in row.inseparable_from
            self.wrong_alone += other.verdict is Verdict.SHOWN and planted not in other.inseparable_from

    def misses(self) -> list[str]:
        """The bands this setting leaves, in words."""
        out = []
        if self.setting.factor is None:
            # With few labs the same rule of chance: the largest count that a 5 % error allows at 1 %.
            if self.told > max(CLAIMS * self.labs, allowed(self.labs)):
                out.append(f"told of something in {self.told} of {self.labs} labs with nothing planted")
            return out
        if self.covered < COVER * self.labs:
            out.append(f"interval covers in {self.covered} of {self.labs}")
        judged = self.setting.kind in ("level", "age")
        if judged and self.first < FIRST * self.labs:
            out.append(f"ranks first in {self.first} of {self.labs}")
        if self.setting.tied_to and self.grouped < GROUPED * self.labs:
            out.append(f"one group in {self.grouped} of {self.labs}")
        if self.wrong_alone:
            out.append(f"the wrong member alone in {self.wrong_alone} of {self.labs}")
        return out

    def line(self) -> str:
        """One row of the table."""
        n = self.labs
        cells = [f"{self.setting.name:28}", f"{n:5d}", f"{self.told / n:6.3f}"]
        if self.setting.factor:
            width, truth = statistics.median(self.widths), statistics.fmean(self.truths)
            cells += [f"{x / n:6.3f}" for x in (self.first, self.shown, self.covered)]
            cells += [f"{width:6.2f}", f"{truth:6.2f}"]
        else:
            cells += ["     -"] * 5
        cells.append(f"{self.null_covered / max(1, self.null_rows):6.3f}")
        cells.append(f"{self.grouped / n:6.3f}" if self.setting.tied_to else "     -")
        cells += [f"{self.tanks / n:6.3f}", f"{self.interaction / n:6.3f}", f"{1000 * self.seconds / n:6.0f}"]
        return " ".join(cells)


HEAD = (
    f"{'setting':28} {'labs':>5} {'told':>6} {'first':>6} {'shown':>6} {'cover':>6} {'width':>6} "
    f"{'truth':>6} {'null':>6} {'group':>6} {'tanks':>6} {'inter':>6} {'ms':>6}"
)


def allowed(labs: int) -> int:
    """The largest count of false claims that an error of 5 % gives with a chance of 1 % or more."""
    from scipy import stats

    return int(stats.binom.ppf(0.99, labs, 0.05))


def tells_something(report: EvidenceReport) -> bool:
    """Whether the report claims anything at all, whole family counted."""
    verdicts = [cause.verdict for cause in report.causes.causes]
    verdicts += [report.tanks.verdict, report.platform.verdict, report.split.verdict]
    verdicts += [
        report.equipment_x_practice.interaction.verdict,
        report.equipment_x_practice.when_followed.verdict,
    ]
    return Verdict.SHOWN in verdicts


def run(setting: Setting, *, labs: int, seed: int) -> Tally:
    """Simulate and judge ``labs`` labs of one setting."""
    tally = Tally(setting)
    for i in range(labs):
        lab = simulate(setting, seed * 1_000_003 + i)
        start = time.perf_counter()
        report = evidence(lab.frame, seed=seed)
        tally.seconds += time.perf_counter() - start
        tally.add(lab, report)
    return tally


def main(arguments: Iterable[str] | None = None) -> int:
    """Print the table; the exit code is 1 where a band is left."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--labs", type=int, default=1000, help="labs per setting")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="settings whose name holds this")
    options = parser.parse_args(None if arguments is None else list(arguments))
    print(HEAD, flush=True)
    missed = []
    for setting in SETTINGS:
        if options.only in setting.name:
            tally = run(setting, labs=options.labs, seed=options.seed)
            print(tally.line(), flush=True)
            missed += [f"{setting.name}: {miss}" for miss in tally.misses()]
    for miss in missed:
        print("outside its band:", miss)
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())

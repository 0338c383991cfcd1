"""All studies of the comparison by one command; the tables are Markdown for docs/accuracy.md.

    python -m tests.studies.comparison --arches 5 --poses 60 --runs 1000 --seed 1

``--only registration`` (or ``real``, ``patterns``, ``guard``) runs one of them. The exit code is 1 where a
bar is missed.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable

from tests.studies import guard, patterns, real_arches, registration
from tests.studies.origin import commit


def registrations(options: argparse.Namespace) -> list[str]:
    """Scans of generated arches from random poses."""
    print(f"\n{registration.HEAD}", flush=True)
    misses, wrong, scans = [], 0, 0
    for told in registration.run(
        arches_count=options.arches, poses=options.poses, seed=options.seed, triangles=options.triangles
    ):
        miss = told.miss()
        misses += [miss] if miss else []
        if isinstance(told, registration.Basins):
            print(
                f"\n{told.name}: {told.scans} scans, same basin {told.same_basin}, residual no larger than "
                f"the planted frame's {told.no_larger}"
            )
        else:
            wrong, scans = wrong + told.accepted_wrong, scans + told.scans
            print(told.line(), flush=True)
    bound = registration.upper_bound(wrong, scans)
    print(f"\naccepted and wrong: {wrong} of {scans}; 95 % upper bound {100 * bound:.2f} %", flush=True)
    return misses


def reals(options: argparse.Namespace) -> list[str]:
    """Scanned jaws from random poses."""
    told = real_arches.run(poses=max(options.poses // 3, 1), seed=options.seed)
    print(f"\n{real_arches.table(told)}", flush=True)
    return [miss for one in told if (miss := one.miss())]


def shapes(options: argparse.Namespace) -> list[str]:
    """Patterns of planted distortion."""
    result = patterns.run(
        runs=options.runs,
        seed=options.seed,
        triangles=options.triangles,
        first=options.first,
    )
    print(f"\n{result.runs} prints\n\n{result.table()}", flush=True)
    return list(result.misses())


def guards(options: argparse.Namespace) -> list[str]:
    """Wrong accepts of simulated devices."""
    rows = guard.run(trials=options.trials, seed=options.seed)
    print(f"\n{guard.table(rows)}\n\nstated risk {100 * guard.STATED_RISK:.2f} %", flush=True)
    return [miss for row in rows if (miss := row.miss())]


STUDIES = {"registration": registrations, "real": reals, "patterns": shapes, "guard": guards}


def main(arguments: Iterable[str] | None = None) -> int:
    """Print the tables; 1 where a bar is missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--arches", type=int, default=5)
    parser.add_argument("--poses", type=int, default=60, help="random poses per arch and condition")
    parser.add_argument("--triangles", type=int, default=16_000, help="of each generated arch")
    parser.add_argument("--runs", type=int, default=1000, help="distorted prints of the pattern study")
    parser.add_argument("--first", type=int, default=0, help="number of the first of these prints")
    parser.add_argument("--trials", type=int, default=20_000, help="measurements per row of the guard study")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", choices=["", *STUDIES])
    options = parser.parse_args(None if arguments is None else list(arguments))
    print(f"commit {commit()}, seed {options.seed}", flush=True)
    misses = []
    for name, study in STUDIES.items():
        if options.only in ("", name):
            start = time.perf_counter()
            misses += study(options)
            print(f"\n({name}: {time.perf_counter() - start:.0f} s)", flush=True)
    for miss in misses:
        print("bar missed:", miss)
    return 1 if misses else 0


if __name__ == "__main__":
    sys.exit(main())

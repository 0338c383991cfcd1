#!/usr/bin/env python3
"""Fitledger's one command. Needs nothing but Python: it makes its own environment first."""

import sys

if not (3, 11) <= sys.version_info[:2] <= (3, 13):
    sys.exit(
        f"Fitledger runs on Python 3.11, 3.12 and 3.13; this is {sys.version.split()[0]}. "
        "Call it with one of those, for example: python3.12 manage.py demo"
    )

from labtrack.firstrun import main  # the version must be judged first

if __name__ == "__main__":
    sys.exit(main(sys.argv))

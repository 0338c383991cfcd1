"""What a study says of where its figures come from."""

from __future__ import annotations

import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]


def commit() -> str:
    """The commit the study runs on, and whether files were changed since."""
    told = ["git", "describe", "--always", "--dirty", "--abbrev=10"]
    return subprocess.run(told, cwd=ROOT, capture_output=True, text=True, check=False).stdout.strip()

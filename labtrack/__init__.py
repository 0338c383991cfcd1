"""Fitledger: the laboratory's cases, production and quality in one web application."""

import os

# The engines spread their work over the cores themselves. A linear-algebra library that does so too keeps
# its idle threads spinning, which slows every job that runs beside; numpy reads this when it is imported.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

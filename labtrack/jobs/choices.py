from __future__ import annotations

from django.db import models


class JobState(models.TextChoices):
    QUEUED = "queued", "Waiting"
    RUNNING = "running", "Running"
    DONE = "done", "Done"
    REFUSED = "refused", "Refused"
    FAILED = "failed", "Failed"


OPEN_STATES = (JobState.QUEUED, JobState.RUNNING)
FINAL_STATES = (JobState.DONE, JobState.REFUSED, JobState.FAILED)


class Queue(models.TextChoices):
    LIGHT = "light", "Light"
    HEAVY = "heavy", "Heavy"

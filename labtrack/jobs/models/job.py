"""Work for the workers. The row is the truth; the queue only wakes somebody."""

from __future__ import annotations

from django.conf import settings
from django.core.serializers.json import DjangoJSONEncoder
from django.db import models

from labtrack.jobs.choices import FINAL_STATES, OPEN_STATES, JobState, Queue


class Job(models.Model):
    """One piece of work. ``key`` names its input, so the same work is never queued twice at once."""

    kind = models.CharField(max_length=40)
    key = models.CharField(max_length=120)
    queue = models.CharField(max_length=10, choices=Queue.choices, default=Queue.LIGHT)
    parameters = models.JSONField(default=dict, encoder=DjangoJSONEncoder)
    state = models.CharField(max_length=10, choices=JobState.choices, default=JobState.QUEUED)
    progress = models.FloatField(default=0, help_text="0 to 1")
    progress_text = models.CharField(max_length=120, blank=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    lease = models.CharField(max_length=40, blank=True, help_text="Token of the worker that holds it.")
    lease_until = models.DateTimeField(null=True, blank=True)
    worker = models.CharField(max_length=140, blank=True)
    requested_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+"
    )
    created_at = models.DateTimeField(auto_now_add=True)
    published_at = models.DateTimeField(null=True, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    sentence = models.TextField(blank=True, help_text="Why it was refused or failed, for a person.")
    log = models.TextField(blank=True, help_text="For whoever looks after the installation.")
    result = models.JSONField(null=True, encoder=DjangoJSONEncoder)

    class Meta:
        ordering = ["-id"]
        constraints = [
            models.UniqueConstraint(
                fields=["kind", "key"],
                condition=models.Q(state__in=OPEN_STATES),
                name="job_open_once_per_key",
                violation_error_message="This work is already waiting or running.",
            ),
            models.CheckConstraint(
                condition=models.Q(state__in=FINAL_STATES, finished_at__isnull=False)
                | models.Q(state__in=OPEN_STATES, finished_at__isnull=True),
                name="job_final_means_finished",
            ),
            models.CheckConstraint(
                condition=~models.Q(state=JobState.RUNNING)
                | (models.Q(lease_until__isnull=False) & ~models.Q(lease="")),
                name="job_running_means_leased",
            ),
            models.CheckConstraint(
                condition=models.Q(progress__gte=0, progress__lte=1), name="job_progress_is_a_share"
            ),
        ]
        indexes = [
            # The sweep: open jobs by lease and publication time.
            models.Index(fields=["state", "lease_until"], name="job_sweep"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.key}"

    @property
    def is_final(self) -> bool:
        return self.state in FINAL_STATES

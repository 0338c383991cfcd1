from django.apps import AppConfig


class JobsConfig(AppConfig):
    name = "labtrack.jobs"
    label = "jobs"
    verbose_name = "Jobs"

from django.apps import AppConfig


class LabtrackConfig(AppConfig):
    name = "labtrack"
    verbose_name = "Page shell"

    def ready(self) -> None:
        # The web process publishes through Celery's current app, so it must be ours.
        from labtrack import celery  # noqa: F401

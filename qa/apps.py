from django.apps import AppConfig


class QualityConfig(AppConfig):
    name = "qa"
    label = "qa"
    verbose_name = "Quality"

    def ready(self) -> None:
        from qa.wiring import connect

        connect()

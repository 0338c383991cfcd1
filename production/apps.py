from django.apps import AppConfig


class ProductionConfig(AppConfig):
    name = "production"
    label = "production"
    verbose_name = "Production"

    def ready(self) -> None:
        from production.wiring import connect

        connect()

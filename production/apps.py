from django.apps import AppConfig


class ProductionConfig(AppConfig):
    name = "production"
    label = "production"
    verbose_name = "Production"

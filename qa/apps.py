from django.apps import AppConfig


class QualityConfig(AppConfig):
    name = "qa"
    label = "qa"
    verbose_name = "Quality"

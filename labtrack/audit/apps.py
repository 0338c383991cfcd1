from django.apps import AppConfig


class AuditConfig(AppConfig):
    name = "labtrack.audit"
    label = "audit"
    verbose_name = "Record"

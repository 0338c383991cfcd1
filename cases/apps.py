from django.apps import AppConfig


class CasesConfig(AppConfig):
    name = "cases"
    label = "cases"
    verbose_name = "Cases"

    def ready(self) -> None:
        """Put the panels of cases on the home page, and the clinic on the people page."""
        from cases import panels
        from labtrack.accounts.hooks import person_fields
        from labtrack.shell import home_panels

        home_panels.add(panels.WAITING)
        home_panels.add(panels.DUE)
        person_fields.add(panels.CLINIC_FIELD)

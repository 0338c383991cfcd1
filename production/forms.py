"""Forms of the shop's pages. They check shape; the use cases decide."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from django import forms
from django.utils import timezone

from cases.choices import Tissue
from labtrack.numbers import DecimalNumber, WholeNumber
from labtrack.whole_numbers import RowField, whole_number
from production.choices import (
    EVENTS_OF_KIND,
    LOT_EVENTS,
    MEASURING_KINDS,
    ContactPurpose,
    EquipmentKind,
    EventKind,
    FitResult,
    MaterialKind,
    Orientation,
    Outcome,
    PrinterGrade,
    PrintProcess,
    Translucency,
    VatKind,
)
from production.models import Equipment, Lot, Material, Printer, Tank
from production.queries.lab import printers_in_service

NOW_HELP = "Empty means now."
CHOOSE = "Choose…"
NONE = "None"


class MomentField(forms.DateTimeField):
    """Date and time in the lab's time zone, by the browser's own picker."""

    widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")

    def __init__(self, **options: Any) -> None:
        options.setdefault("required", False)
        options.setdefault("help_text", NOW_HELP)
        super().__init__(**options)


class DayField(forms.DateField):
    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


class OfferedField(RowField):
    """Offers what may be used now and takes any row of ``known``.

    What was retired or ran out of date while the form was open is refused by the use case, which says
    why and what to do.
    """

    known: Any = None

    def offer(self, rows: Any, known: Any) -> None:
        self.queryset = rows
        self.known = known

    def offer_in_service(self, kind: str) -> None:
        """Offer the equipment of that kind that is in service."""
        known = Equipment.objects.filter(kind=kind)
        self.offer(known.filter(retired_at__isnull=True).order_by("code"), known)

    def to_python(self, value: Any) -> Any:
        try:
            return super().to_python(value)
        except forms.ValidationError:
            pk = whole_number(str(value))
            row = self.known.filter(pk=pk).first() if self.known is not None and pk is not None else None
            if row is None:
                raise
            return row


class LotChoiceField(OfferedField):
    def offer_usable(self, kinds: Iterable[str]) -> None:
        """Offer the lots of these kinds of material that are in date and not quarantined."""
        lots = Lot.objects.filter(material__kind__in=list(kinds)).select_related("material")
        usable = lots.filter(quarantined_at__isnull=True).exclude(expires_on__lt=timezone.localdate())
        self.offer(usable.order_by("material__name", "number"), lots)

    def label_from_instance(self, obj: Any) -> str:
        expiry = f", expires {obj.expires_on:%-d %b %Y}" if obj.expires_on else ""
        return f"{obj.material.name}, lot {obj.number}{expiry}"


class EquipmentForm(forms.Form):
    kind = forms.ChoiceField(choices=EquipmentKind.choices)
    code = forms.SlugField(max_length=20, help_text="As on its label, for example tank-3.")
    name = forms.CharField(max_length=80)
    in_service_from = MomentField(label="In service from")
    note = forms.CharField(max_length=300, required=False)
    process = forms.ChoiceField(
        choices=[("", "–"), *PrintProcess.choices], required=False, help_text="Printers only."
    )
    vat = forms.ChoiceField(choices=[("", "–"), *VatKind.choices], required=False, help_text="Printers only.")
    grade = forms.ChoiceField(
        choices=[("", "–"), *PrinterGrade.choices], required=False, help_text="Printers only."
    )
    platform_x_mm = DecimalNumber(
        label="Platform width (mm)", required=False, min_value=0, max_digits=6, decimal_places=1
    )
    platform_y_mm = DecimalNumber(
        label="Platform depth (mm)", required=False, min_value=0, max_digits=6, decimal_places=1
    )
    build_height_mm = DecimalNumber(
        label="Build height (mm)", required=False, min_value=0, max_digits=6, decimal_places=1
    )
    purpose = forms.ChoiceField(
        choices=[("", "–"), *ContactPurpose.choices],
        required=False,
        label="For",
        help_text="Tanks and wash baths: what their material is for.",
    )
    capacity_ml = WholeNumber(
        label="Capacity (ml)",
        required=False,
        min_value=1,
        max_value=1_000_000,
        help_text="Tanks and wash baths.",
    )

    def clean(self) -> dict[str, Any]:
        values: dict[str, Any] = super().clean() or {}
        kind = values.get("kind")
        needed: tuple[str, ...] = ()
        if kind == EquipmentKind.PRINTER:
            needed = ("process", "vat", "grade", "platform_x_mm", "platform_y_mm", "build_height_mm")
        elif kind in (EquipmentKind.TANK, EquipmentKind.WASH_BATH):
            needed = ("purpose", "capacity_ml")
        for name in needed:
            if values.get(name) in (None, "") and name not in self.errors:
                self.add_error(name, "This kind of equipment needs it.")
        return values


# Fields that only some events have; the page shows them with those.
FIELD_OF_EVENTS = {
    "lot": LOT_EVENTS,
    "quantity_ml": (*LOT_EVENTS, EventKind.EMPTIED),
    "moved_to": (EventKind.MOVED,),
}


class EventForm(forms.Form):
    """Only what can happen to that kind of equipment is offered."""

    kind = forms.ChoiceField(label="What was done")
    occurred_at = MomentField(label="When")
    lot = LotChoiceField(
        queryset=Lot.objects.none(),
        required=False,
        empty_label=NONE,
        help_text="For filling and topping up.",
    )
    quantity_ml = WholeNumber(label="Amount (ml)", required=False, min_value=1, max_value=1_000_000)
    moved_to = RowField(
        queryset=Printer.objects.none(),
        required=False,
        empty_label=NONE,
        label="Moved to",
        help_text="For a move only.",
    )
    value = DecimalNumber(label="Measured value", required=False, max_digits=10, decimal_places=3)
    unit = forms.CharField(max_length=20, required=False, help_text="Of the measured value, such as mW/cm².")
    note = forms.CharField(max_length=300, required=False)

    def __init__(self, *args: Any, equipment: Equipment, **options: Any) -> None:
        super().__init__(*args, **options)
        kinds = EVENTS_OF_KIND[equipment.kind]
        offered = [kind for kind in kinds if kind not in (EventKind.RETIRED, EventKind.RETURNED)]
        self.fields["kind"].choices = [(kind.value, kind.label) for kind in offered]  # type: ignore[attr-defined]
        if equipment.kind == EquipmentKind.TANK:
            self.fields["lot"].offer_usable([MaterialKind.RESIN])  # type: ignore[attr-defined]
            printers = Printer.objects.exclude(process=PrintProcess.FILAMENT).filter(
                equipment__retired_at__isnull=True
            )
            self.fields["moved_to"].queryset = printers.select_related("equipment")  # type: ignore[attr-defined]
            self._drop("value", "unit")
        elif equipment.kind == EquipmentKind.WASH_BATH:
            self.fields["lot"].offer_usable([MaterialKind.SOLVENT])  # type: ignore[attr-defined]
            self._drop("moved_to")
        else:
            self._drop("lot", "quantity_ml", "moved_to")
        for name, events in FIELD_OF_EVENTS.items():
            if name in self.fields:
                self.fields[name].widget.attrs["data-asked-for"] = " ".join(events)
        if equipment.kind in MEASURING_KINDS:
            self.fields[
                "value"
            ].help_text = "For a study of the device: its expanded uncertainty U (k = 2), in mm."
            self.fields["unit"].help_text = "mm"

    def _drop(self, *names: str) -> None:
        for name in names:
            del self.fields[name]


class ReasonForm(forms.Form):
    reason = forms.CharField(max_length=200)


class MaterialForm(forms.Form):
    kind = forms.ChoiceField(choices=MaterialKind.choices)
    code = forms.SlugField(max_length=30, help_text="A short word, for example model-grey.")
    name = forms.CharField(max_length=80)
    colour = forms.CharField(max_length=40, required=False)
    translucency = forms.ChoiceField(choices=[("", "–"), *Translucency.choices], required=False)
    thickness_mm = DecimalNumber(
        label="Nominal thickness (mm)",
        required=False,
        min_value=0,
        max_digits=4,
        decimal_places=2,
        help_text="Sheets only.",
    )
    density_g_per_ml = DecimalNumber(
        label="Density (g/ml)", required=False, min_value=0, max_digits=5, decimal_places=3
    )
    price = DecimalNumber(
        required=False,
        min_value=0,
        max_digits=8,
        decimal_places=2,
        help_text="Per litre, kilogram or sheet.",
    )
    consumption_factor = DecimalNumber(
        initial=1,
        min_value=1,
        max_digits=4,
        decimal_places=2,
        help_text="Bought volume per part volume; above 1 for losses.",
    )


class MaterialInstructionForm(forms.Form):
    document = forms.CharField(max_length=200, help_text="Title, edition and date of the maker's document.")
    intended_use = forms.ChoiceField(choices=ContactPurpose.choices, label="It is for")
    tissue = forms.ChoiceField(
        choices=Tissue.choices, help_text="Which tissue it may touch, after the document."
    )
    contact_hours_max = WholeNumber(
        label="Longest contact (hours, summed)",
        required=False,
        min_value=1,
        max_value=1_000_000,
        help_text="Empty when the document states no limit.",
    )


class LotForm(forms.Form):
    number = forms.CharField(max_length=60, label="Lot number")
    received_on = DayField(initial=timezone.localdate)
    expires_on = DayField(required=False)


class CombinationForm(forms.Form):
    printer = RowField(queryset=Printer.objects.none(), empty_label=CHOOSE)
    material = RowField(queryset=Material.objects.none(), empty_label=CHOOSE)
    profile_name = forms.CharField(max_length=60, label="Exposure profile")
    wash_program = forms.CharField(max_length=60, label="Wash programme")
    cure_program = forms.CharField(max_length=60, label="Curing programme")
    basis = forms.CharField(max_length=300, help_text="What shows that it works: report and date.")

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        printers = printers_in_service()
        self.fields["printer"].queryset = printers  # type: ignore[attr-defined]
        kinds = (MaterialKind.RESIN, MaterialKind.FILAMENT)
        materials = Material.objects.filter(kind__in=kinds, active=True)
        self.fields["material"].queryset = materials  # type: ignore[attr-defined]


class PreparationForm(forms.Form):
    profile_name = forms.CharField(max_length=60, label="Exposure profile")
    profile_revision = forms.CharField(max_length=20, label="Revision of the profile")
    layer_um = WholeNumber(label="Layer (µm)", min_value=5, max_value=1000)
    orientation = forms.ChoiceField(choices=Orientation.choices)
    tilt_deg = DecimalNumber(
        label="Tilt (degrees)", initial=0, min_value=0, max_value=90, max_digits=4, decimal_places=1
    )
    hollow = forms.BooleanField(required=False)
    wall_mm = DecimalNumber(
        label="Wall (mm)",
        required=False,
        min_value=0,
        max_digits=4,
        decimal_places=2,
        help_text="When hollow.",
    )
    supports = forms.BooleanField(required=False)
    compensation_percent = DecimalNumber(
        label="Shrinkage compensation (%)", initial=0, max_digits=5, decimal_places=3
    )
    occurred_at = MomentField(label="When")


class PlanForm(forms.Form):
    printer = OfferedField(queryset=Printer.objects.none(), empty_label=CHOOSE)
    tank = OfferedField(
        queryset=Tank.objects.none(), required=False, empty_label="The one that is in the printer"
    )
    filament_lot = LotChoiceField(
        queryset=Lot.objects.none(), required=False, empty_label=NONE, help_text="Filament printers only."
    )
    start_now = forms.BooleanField(required=False, initial=True, label="Starts right away")
    resin_temp_c = DecimalNumber(
        label="Resin temperature (°C)",
        required=False,
        min_value=-20,
        max_value=200,
        max_digits=4,
        decimal_places=1,
    )

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        current = {"equipment__retired_at__isnull": True}
        for name, model in (("printer", Printer), ("tank", Tank)):
            known = model._default_manager.select_related("equipment")
            self.fields[name].offer(known.filter(**current), known)  # type: ignore[attr-defined]
        self.fields["filament_lot"].offer_usable([MaterialKind.FILAMENT])  # type: ignore[attr-defined]


class FinishForm(forms.Form):
    finished_at = MomentField(label="Ended")
    layers = WholeNumber(required=False, min_value=1, max_value=1_000_000)
    resin_ml = DecimalNumber(
        label="Material used (ml)", required=False, min_value=0, max_digits=8, decimal_places=2
    )
    failure = forms.CharField(
        max_length=200,
        required=False,
        label="What went wrong",
        help_text="Only when the build failed: its tank then needs filtering and film inspection.",
    )


class RunForm(forms.Form):
    equipment = OfferedField(queryset=Equipment.objects.none(), required=False, empty_label=CHOOSE)
    program = forms.CharField(max_length=60, required=False, label="Programme")
    minutes = DecimalNumber(min_value=0, max_value=10_000, max_digits=6, decimal_places=1)
    finished_at = MomentField(label="Ended")
    temperature_c = DecimalNumber(
        label="Temperature (°C)", required=False, min_value=-50, max_value=500, max_digits=4, decimal_places=1
    )
    note = forms.CharField(max_length=200, required=False)

    def __init__(self, *args: Any, kind: str | None, **options: Any) -> None:
        super().__init__(*args, **options)
        if kind is None:
            del self.fields["equipment"]
            del self.fields["program"]
        else:
            self.fields["equipment"].offer_in_service(kind)  # type: ignore[attr-defined]
            self.fields["equipment"].required = True
            self.fields["equipment"].label = EquipmentKind(kind).label


class BatchForm(forms.Form):
    machine = OfferedField(queryset=Equipment.objects.none(), label="Forming machine", empty_label=CHOOSE)
    note = forms.CharField(max_length=200, required=False)

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["machine"].offer_in_service(EquipmentKind.FORMING_MACHINE)  # type: ignore[attr-defined]


class CycleForm(forms.Form):
    marks = forms.CharField(
        label="Model",
        help_text="Scan or type the mark on the model, such as P-000123: a scan records the cycle.",
    )
    sheet_lot = LotChoiceField(queryset=Lot.objects.none(), label="Sheet", empty_label=CHOOSE)
    heat_s = WholeNumber(label="Heating (s)", min_value=0, max_value=3600)
    sheet_temp_c = DecimalNumber(
        label="Sheet temperature (°C)", required=False, max_digits=4, decimal_places=1
    )
    pressure_bar = DecimalNumber(
        label="Pressure (bar)",
        required=False,
        max_digits=4,
        decimal_places=2,
        help_text="Below zero for a vacuum.",
    )
    hold_s = WholeNumber(label="Holding (s)", required=False, min_value=0, max_value=3600)
    cool_s = WholeNumber(label="Cooling (s)", required=False, min_value=0, max_value=3600)
    occurred_at = MomentField(label="When")

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        self.fields["sheet_lot"].offer_usable([MaterialKind.SHEET])  # type: ignore[attr-defined]


class OutcomeForm(forms.Form):
    outcome = forms.ChoiceField(choices=Outcome.choices, widget=forms.RadioSelect)
    reason = forms.CharField(max_length=200, required=False, help_text="Needed for rework and scrapped.")


class DeliveryForm(forms.Form):
    handed_to = forms.CharField(max_length=120, label="Handed to")
    marks = forms.CharField(
        widget=forms.Textarea(attrs={"rows": 3}),
        label="Marks in the parcel",
        help_text="Scan each piece as you pack it.",
    )
    occurred_at = MomentField(label="When")


class FitForm(forms.Form):
    result = forms.ChoiceField(choices=FitResult.choices, widget=forms.RadioSelect, label="In the mouth it")
    harmed = forms.TypedChoiceField(
        choices=(("no", "No"), ("yes", "Yes")),
        coerce=lambda word: word == "yes",
        widget=forms.RadioSelect,
        label="Was anyone harmed?",
    )
    note = forms.CharField(required=False, max_length=2000, widget=forms.Textarea(attrs={"rows": 3}))
    occurred_at = MomentField(label="When")

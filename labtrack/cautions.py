"""The usual cautions, shown where the work is. They warn; they are not a substitute for training.

Common practice in the trade, worded here. Local codes, the supplier's safety data sheet and
instructions, and licensed practice always come first.
"""

from __future__ import annotations

from dataclasses import dataclass

DEFER = (
    "Your local codes, the supplier's safety data sheet and instructions, and licensed practice come first."
)


@dataclass(frozen=True)
class Caution:
    title: str
    sentences: tuple[str, ...]


CAUTIONS: dict[str, Caution] = {
    "resin": Caution(
        "Uncured resin",
        (
            "Uncured resin irritates skin and eyes and can make you allergic for life. Wear nitrile gloves "
            "and eye protection, and change wet gloves at once.",
            "Wash skin with soap and water, never with solvent. Resin, rinsings and wipes are cured or "
            "collected as local rules say; none goes down the drain.",
        ),
    ),
    "solvent": Caution(
        "Wash solvent",
        (
            "Alcohol and its vapour catch fire easily. Keep flames, sparks and hot surfaces away, keep lids "
            "closed, and ventilate.",
            "Wear gloves and eye protection. Let parts dry fully before curing: solvent in a curing unit can "
            "ignite.",
        ),
    ),
    "heat": Caution(
        "Hot sheet and heater",
        (
            "Sheet, frame and heater burn. Use heat-resistant gloves, keep hands out of the closing frame, "
            "and let the sheet cool before you lift it.",
            "Ventilate: a sheet heated too far gives off fumes.",
        ),
    ),
    "pressure": Caution(
        "Pressure chamber",
        (
            "A pressure former holds stored energy. Close and lock it before pressure is let in, never force "
            "the lock, and let all pressure out before you open it.",
            "Use only models that the machine's maker allows: a hollow or cracked model can collapse.",
        ),
    ),
    "dust": Caution(
        "Dust from trimming and finishing",
        (
            "Trim and polish under extraction, with eye protection and a suitable dust mask. Tie back hair "
            "and loose clothing near rotating tools.",
            "Dust of incompletely cured resin can make you allergic.",
        ),
    ),
    "patient": Caution(
        "Before it touches a patient",
        (
            "Only a material cleared for this use and tissue, washed, cured and disinfected as its maker "
            "says, may be released.",
            "Fitledger records and warns; it decides no treatment. The prescriber judges the fit and use.",
        ),
    ),
    "uv": Caution(
        "Curing light",
        (
            "Ultraviolet and violet light harm eyes and skin. Keep the curing unit closed while it is lit "
            "and never defeat its interlock.",
        ),
    ),
}

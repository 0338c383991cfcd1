from production.models.build import Build, Part, PartOutcome
from production.models.delivery import DeliveredPiece, Delivery, FitAnswer
from production.models.equipment import Equipment, EquipmentEvent, Printer, Tank, WashBath
from production.models.forming import FormingBatch, FormingCycle, Piece, PieceStep
from production.models.hold import Hold
from production.models.instruction import Answer, InstructionItem, WorkInstruction
from production.models.material import Lot, Material, MaterialInstruction
from production.models.preparation import Preparation, ProcessCombination
from production.models.treatment import TreatedPart, TreatmentRun

__all__ = [
    "Answer",
    "Build",
    "DeliveredPiece",
    "Delivery",
    "Equipment",
    "EquipmentEvent",
    "FitAnswer",
    "FormingBatch",
    "FormingCycle",
    "Hold",
    "InstructionItem",
    "Lot",
    "Material",
    "MaterialInstruction",
    "Part",
    "PartOutcome",
    "Piece",
    "PieceStep",
    "Preparation",
    "Printer",
    "ProcessCombination",
    "Tank",
    "TreatedPart",
    "TreatmentRun",
    "WashBath",
    "WorkInstruction",
]

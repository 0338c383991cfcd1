from labtrack.audit.models.number_series import NumberSeries
from labtrack.audit.models.record import AuditRecord
from labtrack.audit.models.seal import AuditSeal, SealedRecord
from labtrack.audit.models.submission import Submission

__all__ = ["AuditRecord", "AuditSeal", "NumberSeries", "SealedRecord", "Submission"]

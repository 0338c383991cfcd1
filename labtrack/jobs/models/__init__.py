from labtrack.jobs.models.job import Job

__all__ = ["Job"]

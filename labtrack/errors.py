"""Refusals that use-case functions raise; pages and the API turn them into a sentence and a status."""

from __future__ import annotations


class DomainError(Exception):
    """Something a person can understand and mend. ``code`` is stable, for programs."""

    status = 422

    def __init__(self, code: str, sentence: str, *, field: str | None = None) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence
        self.field = field


class Refused(DomainError):
    """The input is understood and cannot be done as asked."""


class Conflict(DomainError):
    """It clashes with what is already recorded."""

    status = 409


class NotAllowed(DomainError):
    """This person or token may see the thing but not do this."""

    status = 403


class NotFound(DomainError):
    """There is no such thing for this person: also said of another clinic's."""

    status = 404

    def __init__(self, sentence: str = "There is nothing here under that number.") -> None:
        super().__init__("not-found", sentence)


class TooMany(DomainError):
    """Tried too often; waiting helps."""

    status = 429

"""What the geometry engine raises when it cannot go on."""

from __future__ import annotations


class GeometryError(Exception):
    """A refusal with a stable code for programs and a sentence for a person.

    ``code`` is a short lower-case word such as ``truncated``; ``sentence`` says what is wrong and
    what to do about it.
    """

    def __init__(self, code: str, sentence: str) -> None:
        super().__init__(sentence)
        self.code = code
        self.sentence = sentence

"""The one exception tree: every expected failure says what, why and what to do, in one line."""

from __future__ import annotations

from typing import Self


class ShoulderlineError(Exception):
    """Base of everything this project raises on purpose.

    Parameters
    ----------
    what : str
        What was refused or failed, naming the parameter or photo and the value received.
    why : str
        The rule it breaks.
    remedy : str
        What the person can do about it.
    """

    def __init__(self, what: str, why: str, remedy: str) -> None:
        self.what, self.why, self.remedy = what, why, remedy
        super().__init__(" ".join(f"{what}: {why}; {remedy}.".split()))

    def of(self, photo: str) -> Self:
        """The same, naming the photo: of several, a person must know which."""
        return type(self)(f"{photo}: {self.what}", self.why, self.remedy)


class DeclarationError(ShoulderlineError):
    """A declared fact is missing, impossible or contradicts another (exit 3)."""


class NothingLeft(DeclarationError):
    """The stretches that a person marked leave nothing of the edge (exit 2 where flags marked them, 3 where a job file did)."""


class PhotoRefused(ShoulderlineError):
    """A file cannot be taken as a photo, or the photo cannot carry a measurement (exit 3)."""


class TargetNotFound(PhotoRefused):
    """The printed strip was not found, or too little of it (exit 3)."""


class EdgeNotFound(PhotoRefused):
    """No apex, or no bevel, that could be told apart from its surroundings (exit 3)."""


class ResultUnreadable(ShoulderlineError):
    """A stored result or profile file cannot be read back (exit 3)."""

"""What the reference log refuses; part of the one exception tree."""

from __future__ import annotations

from vision.errors import ShoulderlineError


class LogRefused(ShoulderlineError):
    """A log, a contribution or a record cannot be taken or read (exit 3)."""

"""Expected failures as the one sentence that a person reads."""

from __future__ import annotations

from vision.errors import ShoulderlineError

EXIT_REFUSED = 3
# As shells report a command that the keyboard stopped: 128 + SIGINT.
EXIT_STOPPED = 130


def sentence(error: BaseException) -> str:
    """What, why and what to do, in one line; "" for an error that nobody expected."""
    if isinstance(error, OSError):
        where = f" {error.filename}" if error.filename else ""
        return f"file{where}: {error.strerror or type(error).__name__}; check the path, its permissions and the free space."
    if isinstance(error, MemoryError):
        return "memory: there is not enough of it; close other programs or measure fewer photos at once."
    return " ".join(str(error).split()) if isinstance(error, ShoulderlineError) else ""

"""Photographs of an invented blade, with what its owner declares and the truth; and the scenarios and renderer that made them."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

_FOLDER = Path(str(files(__name__)))


@dataclass(frozen=True)
class Demo:
    """One edge: its photos in order along the strip, and the setup and truth files that belong to each of them."""

    name: str
    stems: tuple[str, ...]

    def _paths(self, ending: str) -> tuple[Path, ...]:
        return tuple(_FOLDER / f"{stem}{ending}" for stem in self.stems)

    @property
    def photos(self) -> tuple[Path, ...]:
        """JPEG files."""
        return self._paths(".jpg")

    @property
    def setups(self) -> tuple[Path, ...]:
        """What the owner declares, one JSON file a photo."""
        return self._paths(".setup.json")

    @property
    def truths(self) -> tuple[Path, ...]:
        """True stations, one JSON file a photo."""
        return self._paths(".truth.json")


DEMOS = (
    Demo("plain-edge", ("plain-edge",)),
    Demo("belly-thickens", ("belly-thickens",)),
    Demo("coated-cheek-down", ("coated-cheek-down",)),
    Demo("dim-noisy", ("dim-noisy",)),
    Demo("whole-edge", ("whole-edge-1", "whole-edge-2", "whole-edge-3")),
)

"""The printed strip: its one definition, and the raster and vector drawings made from it.

Board frame (OpenCV's): mm, x along the strip from the 0 mark, y *down* the page from the strip's side nearest the edge.
Sheet frame (design): X = x, Y = -y, Z toward the camera.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np


@dataclass(frozen=True)
class Board:
    """A ChArUco board as a value.

    Attributes
    ----------
    columns, rows : int
        Chessboard squares along x and y.
    square_mm, marker_mm : float
        Side of a square and of the marker inside each white square.
    dictionary : str
        Name of the predefined ArUco dictionary, such as ``"DICT_4X4_250"``.
    """

    columns: int
    rows: int
    square_mm: float
    marker_mm: float
    dictionary: str

    def __post_init__(self) -> None:
        if min(self.columns, self.rows) < 2:
            raise ValueError(f"columns and rows must be at least 2, got {self.columns} x {self.rows}")
        if not 0 < self.marker_mm < self.square_mm:
            raise ValueError(f"marker_mm must lie between 0 and square_mm = {self.square_mm}, got {self.marker_mm}")
        if not self.dictionary.startswith("DICT_") or not hasattr(cv2.aruco, self.dictionary):
            raise ValueError(f"dictionary must name a predefined ArUco dictionary, got {self.dictionary!r}")

    @property
    def length_mm(self) -> float:
        """Extent along x."""
        return self.columns * self.square_mm

    @property
    def height_mm(self) -> float:
        """Extent along y."""
        return self.rows * self.square_mm

    @property
    def marker_count(self) -> int:
        """Markers on the board: one in each white square (the top left square is black)."""
        return self.columns * self.rows // 2

    @property
    def corner_count(self) -> int:
        """Inner chessboard corners."""
        return (self.columns - 1) * (self.rows - 1)

    @property
    def corners_mm(self) -> np.ndarray:
        """(corner_count, 2) float64: x, y of the inner corners in the board frame, in order of their id."""
        y, x = np.mgrid[1 : self.rows, 1 : self.columns]
        return np.stack([x, y], axis=-1).reshape(-1, 2) * float(self.square_mm)

    def charuco(self) -> cv2.aruco.CharucoBoard:
        """The board for OpenCV's detector, in its current (not legacy) pattern."""
        words = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, self.dictionary))
        return cv2.aruco.CharucoBoard((self.columns, self.rows), self.square_mm, self.marker_mm, words)


STRIP = Board(48, 5, 3.0, 2.25, "DICT_4X4_250")

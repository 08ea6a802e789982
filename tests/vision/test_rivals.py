"""What the caution about a second line says."""

from __future__ import annotations

import numpy as np
import pytest

from vision.results import Alternative
from vision.rivals import notes


@pytest.mark.parametrize(("count", "words"), [(3, ""), (4, "; and 1 shorter stretch"), (6, "; and 3 shorter stretches")])
def test_stretches_that_are_not_named_are_counted(count: int, words: str) -> None:
    found = [Alternative(0, 10.0 * i, 10.0 * i + 9.0 - i, 0.9, 0.8, 0.7, 0.4, np.zeros((2, 2))) for i in range(count)]
    (note,) = notes(found)
    assert note.text.partition("same angle; and")[2] == words.removeprefix("; and")
    assert note.text.count(": bevel width") == 3

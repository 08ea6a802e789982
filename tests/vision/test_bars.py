"""Plausibility of measured check bars, by a table."""

import pytest

from vision.bars import check_bars
from vision.errors import DeclarationError


@pytest.mark.parametrize(
    ("x", "y", "plausible", "said"),
    [
        (99.6, 99.8, True, "as printers err"),
        (100.0, 101.0, True, "as printers err"),
        # A4 fitted to US Letter, landscape: 279.4 / 297 of its size (arithmetic).
        (94.1, 94.1, False, "made smaller to fit"),
        # US Letter fitted to A4, landscape: 210 / 215.9 of its size.
        (97.3, 97.3, False, "made smaller to fit"),
        (102.0, 102.1, False, "larger than printers print"),
        (99.9, 97.5, False, "more apart"),
    ],
)
def test_bars(x, y, plausible, said):
    found = check_bars(x, y)
    assert found.plausible is plausible
    assert said in found.why
    assert f"X is {x - 100:+.2f} mm" in found.why
    assert found.remedy


@pytest.mark.parametrize("bars", [(50.0, 100.0), (100.0, 150.0)])
def test_no_bar_of_100_mm_is_that_long(bars):
    with pytest.raises(DeclarationError, match="printed-bar"):
        check_bars(*bars)

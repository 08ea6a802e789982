"""Guide points against what the search finds by itself: told where they lead to another line, silent where they confirm or decide."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from vision.bevel import Lines
from vision.declared import Declared
from vision.flags import StationFlag
from vision.hints import Guide, Hints, LineKind
from vision.overruled import overruled
from vision.sighting import sight

FACTS = Declared(included_angle_deg=30.0, edge_height_mm=0.0, edge_height_tolerance_mm=0.0)
COUNT, STEP_PX, PX_PER_MM = 200, 6.0, 60.0
PLACE = 0.1 * np.arange(COUNT)


def lines(shoulder_off=0.0, apex_off=0.0, flags=0, u=0.3):
    x = STEP_PX * np.arange(COUNT)
    apex, shoulder = (np.column_stack([x, np.broadcast_to(y, COUNT)]) for y in (500.0 + apex_off, 440.0 + shoulder_off))
    each = np.full(COUNT, u)
    return Lines(apex, shoulder, each, each, each, np.broadcast_to(flags, COUNT).astype(int))


def told(own, alone):
    return overruled(own, alone, PLACE, PX_PER_MM)


def test_another_line_is_told_with_its_place_and_distance():
    off = np.where((PLACE > 6.95) & (PLACE < 9.05), -24.0, 0.0)
    (note,) = told(lines(off), lines())
    assert note.code == "guide-overrules"
    assert note.severity == "caution"
    assert "the shoulder up to 0.40 mm away" in note.text
    assert "from 7.0 to 9.0 mm" in note.text
    assert [n.text.split(" led the ")[1].split()[0] for n in told(lines(off, 12.0), lines())] == ["apex", "shoulder"]


@pytest.mark.parametrize("flag", [StationFlag.SHADOW, StationFlag.LOW_CONTRAST, StationFlag.BRIDGED])
def test_a_guide_may_decide_where_the_search_was_not_sure(flag):
    assert told(lines(-24.0), lines()) != ()
    assert told(lines(-24.0), lines(flags=int(flag))) == ()


def test_a_guide_may_decide_between_two_lines_that_were_named():
    """Flagged without a second line of its own is an edge that may be another one altogether: that says nothing of which line of it."""
    alone = lines(flags=int(StationFlag.RIVAL_LINE))
    assert told(lines(-24.0), replace(alone, rival_px=alone.shoulder_px - 24.0)) == ()
    assert told(lines(-24.0), alone) != ()


def test_the_same_line_within_what_both_claim_is_no_other():
    assert told(lines(-1.5), lines()) == ()
    assert told(lines(-8.0, u=3.0), lines(u=3.0)) == ()
    assert told(lines(-8.0), lines()) != ()


def test_a_speck_is_not_worth_a_word():
    assert told(lines(np.where((PLACE > 6.95) & (PLACE < 7.55), -24.0, 0.0)), lines()) == ()


def test_where_the_search_found_nothing_nothing_speaks_against_the_points():
    alone = lines()
    lost = np.where((PLACE > 8.0)[:, None], np.nan, alone.shoulder_px)
    assert told(lines(np.where(PLACE > 8.5, -24.0, 0.0)), replace(alone, shoulder_px=lost)) == ()
    assert told(lines(), replace(alone, shoulder_px=np.full_like(lost, np.nan), flags=alone.flags | int(StationFlag.NOT_MEASURED))) == ()


def streaked(drawn, light):
    """A streak along the cheek, half a millimetre beyond the shoulder, brighter by a factor."""

    class Streaked(drawn):
        def linear(self):
            picture = super().linear()
            row = round((14.0 - 5.9) * 60)
            picture[row - 3 : row + 3] *= light
            return picture

    return Streaked().photo()


@pytest.mark.parametrize("light", [1.2, 1.5])
@pytest.mark.parametrize(("beyond_mm", "codes"), [(0.9, set()), (1.4, {"guide-overrules"}), (0.6, {"guide-missed"})])
def test_a_point_on_a_streak_beside_the_shoulder_is_told_in_a_photo(drawn, light, beyond_mm, codes):
    guide = Guide(LineKind.SHOULDER, 900, (14.0 - 4.5 - beyond_mm) * 60)
    seen = sight(streaked(drawn, light), FACTS, hints=Hints((guide,)))
    assert {n.code for n in seen.notes if n.code.startswith("guide-")} == codes
    assert seen.record.hints.guides == (guide,)
    # Where the point lies on no line at all nothing is measured beside it.
    beside = np.abs(seen.lines.apex_px[:, 0] - 900) < 20
    assert np.isnan(seen.lines.shoulder_px[beside]).all() == ("guide-missed" in codes)


@pytest.mark.parametrize("light", [1.0, 1.2, 1.5])
def test_a_streak_in_a_dark_cheek_does_not_make_the_bevel_a_lane(drawn, light):
    """An even bevel between paper and a darker cheek: that a dark face shows more noise is no grind, and one line more behind no proof."""
    seen = sight(streaked(drawn, light), FACTS)
    assert np.nanmedian(np.abs(seen.lines.apex_px[:, 1] - (14.0 - 4.5) * 60)) < 0.3
    assert np.nanmedian(np.abs(seen.lines.shoulder_px[:, 1] - (14.0 - 5.4) * 60)) < 0.3

"""A bevel wider than the strip that is straightened at first: drawn photos whose shoulder runs out of it, or lies beyond it all along."""

from types import SimpleNamespace

import numpy as np
import pytest

from tests.vision.drawn import LENGTH_MM, PX_PER_MM, Drawn
from vision import deeper
from vision.declared import Declared
from vision.deeper import deepened
from vision.errors import EdgeNotFound
from vision.flags import StationFlag
from vision.hints import Guide, Hints, LineKind
from vision.lights import sight_together
from vision.reading import View, read
from vision.sighting import sight

DECLARED = Declared(included_angle_deg=30.0, edge_height_mm=0.0, printed_bar_mm=(100.0, 100.0))
# The bevel widens along the photo to more than the strip's depth (`sighting._BLADE_MM`).
WIDENS = np.linspace(1.6, 4.2, round(LENGTH_MM * PX_PER_MM), dtype=np.float32)


def off_px(sighting, width_mm):
    """Seen width less the drawn one at each station, px."""
    lines = sighting.lines
    drawn = width_mm * PX_PER_MM if np.isscalar(width_mm) else PX_PER_MM * width_mm[np.rint(lines.apex_px[:, 0]).astype(int)]
    return np.linalg.norm(lines.shoulder_px - lines.apex_px, axis=1) - drawn


def test_a_bevel_that_widens_past_the_strip_is_followed_to_its_end():
    off = off_px(sight(Drawn(seen_width_mm=WIDENS, grind=0.05).photo(), DECLARED), WIDENS)
    assert np.isfinite(off).mean() > 0.98
    assert np.nanmax(np.abs(off)) < 1.5


def test_so_it_is_under_moved_light():
    lamps = ((0.5, 0.2), (0.35, 0.6))
    photos = [
        Drawn(seen_width_mm=WIDENS, bevel=(b, b, b), cheek=(c, c, c), grind=0.05, seed=i).photo(name=f"lamp-{i}.png")
        for i, (b, c) in enumerate(lamps)
    ]
    off = off_px(sight_together(photos, DECLARED), WIDENS)
    assert np.isfinite(off).mean() > 0.98
    assert np.nanmax(np.abs(off)) < 1.5


def test_a_shoulder_beyond_the_strip_is_asked_for_and_found_where_a_person_points():
    drawn = Drawn(seen_width_mm=4.5)
    with pytest.raises(EdgeNotFound, match="wider than 3 mm, point at the shoulder with --guide"):
        sight(drawn.photo(), DECLARED)
    place = Guide(LineKind.SHOULDER, 900.0, (14.0 - drawn.edge_mm - 4.5) * PX_PER_MM)
    off = off_px(sight(drawn.photo(), DECLARED, hints=Hints(guides=(place,))), 4.5)
    assert np.isfinite(off).mean() > 0.98
    assert np.nanmax(np.abs(off)) < 1.0


VALID = np.ones((240, 1200), bool)


@pytest.mark.parametrize(
    ("width_rows", "valid", "rows"),
    [
        (np.full(1200, 100.0), VALID, None),
        (np.full(1200, 150.0), VALID, 288),
        # Along a millimetre at least (60 columns).
        (np.where(np.arange(1200) < 50, 150.0, np.nan), VALID, None),
        (np.where(np.arange(1200) < 70, 150.0, np.nan), VALID, 288),
        # Where the photo ends there is no more blade.
        (np.full(1200, 150.0), VALID & (np.arange(240) < 230)[:, None], None),
    ],
)
def test_rows_are_added_where_a_bevel_fills_them(width_rows, valid, rows):
    view = View(SimpleNamespace(camera=SimpleNamespace(px_per_mm=60.0)), None, 1.0, (48, 192))
    found = deepened(view, SimpleNamespace(valid=valid, column_px=1, row_of_apex=47.0), width_rows)
    assert (found and found.rows) == (rows and (48, rows))


def test_no_more_rows_than_the_widest_bevel_needs():
    view = View(SimpleNamespace(camera=SimpleNamespace(px_per_mm=60.0)), None, 1.0, (48, 960))
    strip = SimpleNamespace(valid=np.ones((1008, 1200), bool), column_px=1, row_of_apex=47.0)
    assert deepened(view, strip, np.full(1200, 900.0)) is None


class Bordered(Drawn):
    """A cheek ground as its bevel is, with a clear border 4.2 mm behind the apex: where that grind ends, or a reflection."""

    def linear(self):
        picture = super().linear()
        shoulder, border = (round((14.0 - self.edge_mm - mm) * PX_PER_MM) for mm in (self.seen_width_mm, 4.2))
        picture[:shoulder] *= 1.0 + self.grind * np.random.default_rng(self.seed).standard_normal((1, picture.shape[1], 1))
        picture[:border] *= 0.05 / self.cheek[0]
        return picture


def test_a_border_up_the_cheek_is_named_and_not_taken():
    """A bevel of 2.4 mm: with more of the blade in sight a border at 4.2 mm is the clearer line, and had been taken without a word."""
    sighting = sight(Bordered(seen_width_mm=2.4, bevel=(0.5, 0.5, 0.5), cheek=(0.4, 0.4, 0.4), grind=0.03).photo(), DECLARED)
    assert np.nanmax(np.abs(off_px(sighting, 2.4))) < 2.0
    named = (sighting.lines.flags & int(StationFlag.RIVAL_LINE)) > 0
    rival = np.linalg.norm(sighting.lines.rival_px - sighting.lines.apex_px, axis=1)[named]
    assert named.mean() > 0.9
    assert np.nanmedian(rival) == pytest.approx(4.2 * PX_PER_MM, abs=3.0)


def test_a_guide_point_leaves_rows_enough(monkeypatch):
    """What a person points at needs no second look."""
    looked = []
    monkeypatch.setattr(deeper, "read", lambda sought, **more: looked.append(sought.view.rows[1]) or read(sought, **more))
    place = Guide(LineKind.SHOULDER, 900.0, (14.0 - 4.5 - 4.5) * PX_PER_MM)
    sight(Drawn(seen_width_mm=4.5).photo(), DECLARED, hints=Hints(guides=(place,)))
    # Once with the point; without it there are the common strip's.
    assert looked.count(max(looked)) == 1
    assert set(looked) == {max(looked), 192}

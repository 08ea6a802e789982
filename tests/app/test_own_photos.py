"""A person's own photos on the measuring screen: uploaded, joined, both sides, a job file saved and opened again."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

import app.screens
from app.demo import load
from app.headline import headline
from app.measuring import bare
from app.measuring.work import Spot
from vision.declared import Declared, Reading
from vision.hints import Guide, Hints, LineKind
from vision.job import Blade, Job, JobPhoto, JobSide, job_text
from vision.measure import Side, measure, measure_sides
from vision.photo import open_photo
from vision.zones import Stretches

SCREEN = Path(app.screens.__file__).parents[1] / "main.py"


@pytest.fixture(scope="module")
def demos():
    return {d.name: d for d in load()}


def _drop(screen: AppTest, key: str, *paths: Path) -> None:
    screen.file_uploader(key=key).set_value([(p.name, p.read_bytes(), "image/jpeg") for p in paths]).run()


def _declare(screen: AppTest, key: str, declared: Declared, **other: float) -> None:
    """Fill in the form of one side and measure."""
    bars = declared.printed_bar_mm or (None, None)
    facts = {"angle": declared.included_angle_deg, "height": declared.edge_height_mm, "bar-x": bars[0], "bar-y": bars[1]}
    for name, value in facts.items():
        screen.number_input(key=f"{key}-{name}").set_value(value)
    screen.number_input(key=f"{key}-tolerance").set_value(declared.angle_tolerance_deg)
    screen.button(key=f"{key}-submit").click().run()


def _plain(declared: Declared, **facts) -> Declared:
    """What the form declares: no readings, no distance."""
    return Declared(
        included_angle_deg=declared.included_angle_deg, angle_tolerance_deg=declared.angle_tolerance_deg,
        edge_height_mm=declared.edge_height_mm, printed_bar_mm=declared.printed_bar_mm, **facts,
    )  # fmt: skip


def test_an_own_photo_is_looked_at_before_anything_is_declared(demos) -> None:
    screen = AppTest.from_file(str(SCREEN), default_timeout=300).run()
    _drop(screen, "photos", demos["belly-thickens"].photos[0])
    assert not screen.exception
    assert not screen.header
    assert any("Strip and edge are found" in i.value for i in screen.info)
    # Below the form too, where Measure is pressed.
    assert screen.info[-1].value.startswith("No figure yet: say the included angle")
    assert any("strip found" in e.label for e in screen.expander)
    assert screen.get("bidi_component"), "the photo with both lines, before any figure"
    declared = demos["belly-thickens"].declared
    _declare(screen, "own", declared)
    expected = measure([open_photo(p) for p in demos["belly-thickens"].photos], _plain(declared))
    assert screen.header[0].value == headline(expected)[0].text
    assert screen.session_state["bench"].searches == 2, "once before the height was declared, once with it"


def test_a_photo_that_shows_no_strip_is_refused_in_words(tmp_path) -> None:
    screen = AppTest.from_file(str(SCREEN), default_timeout=300).run()
    assert "result" in screen.session_state
    icon = Path(app.screens.__file__).parent.parent / "icon.png"
    _drop(screen, "photos", icon)
    assert not screen.exception
    assert "What to do" in screen.error[0].value
    assert "result" not in screen.session_state, "another screen would take the demo's figures for this photo's"


def test_photos_along_one_strip_are_joined_and_their_seams_said(demos) -> None:
    demo = demos["whole-edge"]
    screen = AppTest.from_file(str(SCREEN), default_timeout=300).run()
    _drop(screen, "photos", *demo.photos)
    _declare(screen, "own", demo.declared)
    expected = measure([open_photo(p) for p in demo.photos], _plain(demo.declared))
    assert screen.header[0].value == headline(expected)[0].text
    seams = next(m.value for m in screen.markdown if "Seams between photos" in m.value)
    assert seams.count("wider; they agree") == 2


def test_both_sides_a_job_saved_and_opened_again(demos) -> None:
    first, second = demos["plain-edge"], demos["belly-thickens"]
    screen = AppTest.from_file(str(SCREEN), default_timeout=300).run()
    _drop(screen, "photos", *first.photos)
    _drop(screen, "photos-own-other", *second.photos)
    _declare(screen, "own", first.declared)
    assert "landmark" in screen.error[0].value
    screen.number_input(key="own-landmark-here").set_value(1.0)
    screen.number_input(key="own-landmark-there").set_value(41.0).run()
    _declare(screen, "own-other", second.declared)
    sides = (
        Side((open_photo(first.photos[0]),), _plain(first.declared), 1.0),
        Side((open_photo(second.photos[0]),), _plain(second.declared), 41.0),
    )
    expected = headline(measure_sides(sides))[0].text
    assert screen.header[0].value == expected
    text = screen.session_state["result"].file("job.toml")

    again = AppTest.from_file(str(SCREEN), default_timeout=300).run()
    again.file_uploader(key="job-file").set_value(("job.toml", text, "application/toml")).run()
    assert any("waits for its photos: plain-edge.jpg, belly-thickens.jpg" in i.value.replace("\\", "") for i in again.info)
    _drop(again, "photos", *first.photos, *second.photos)
    assert not again.exception
    assert again.header[0].value == expected
    assert again.session_state["result"].file("job.toml") == text


def test_a_jobs_corrections_come_back_and_a_broken_one_is_refused(demos) -> None:
    demo = demos["plain-edge"]
    photo = open_photo(demo.photos[0])
    guide = Hints((Guide(LineKind.SHOULDER, 1999.9, 1325.0),))
    side = JobSide((JobPhoto(photo.name, photo.sha256, guide),), demo.declared)
    job = Job((side,), Blade("Halden", "Petty 150"), stretches=Stretches(leave_out=((20.0, 24.0),), apart={"tip": (38.0, 42.0)}))
    screen = AppTest.from_file(str(SCREEN), default_timeout=300).run()
    screen.file_uploader(key="job-file").set_value(("job.toml", b"soap", "application/toml")).run()
    assert "it is not TOML" in screen.error[0].value
    # A maker's name saved by an editor of another encoding: Mädler would come back as M\ufffddler, on record and in the log.
    named = job_text(replace(job, blade=Blade("Mädler", "Petty 150"))).encode("latin-1")
    screen.file_uploader(key="job-file").set_value(("job.toml", named, "application/toml")).run()
    assert [e.value for e in screen.error] == [
        "**job file job.toml**: it is no text in UTF-8, as a job file is. "
        "What to do: give the job.toml of a result, or save it as UTF-8 text."
    ]
    screen.file_uploader(key="job-file").set_value(("job.toml", job_text(job).encode(), "application/toml")).run()
    _drop(screen, "photos", demo.photos[0])
    result = screen.session_state["result"]
    assert result.task.job == job
    assert any("corrected by hand in 3 places" in m.value for m in screen.markdown)


def test_a_photo_without_the_strip_is_measured_by_what_is_pointed_at(demos, tmp_path) -> None:
    # A demo's photo cut off above the strip and its scale: what is left knows no millimetre.
    demo = demos["plain-edge"]
    whole = open_photo(demo.photos[0])
    known = measure([whole], demo.declared).widths
    ok = np.isfinite(known.shoulder_px).all(axis=1)
    cut = tmp_path / "cut.png"
    bottom = int(known.apex_px[ok][:, 1].max()) + 60
    cv2.imwrite(str(cut), np.ascontiguousarray(whole.pixels[:bottom, :, ::-1]))
    apex, shoulder = known.apex_px[ok], known.shoulder_px[ok]
    i, j = 20, len(apex) - 20
    apart_px = float(np.hypot(*(apex[j] - apex[i])))
    apart_mm = float(known.arc_mm[ok][j] - known.arc_mm[ok][i])

    screen = AppTest.from_file(str(SCREEN), default_timeout=300).run()
    screen.file_uploader(key="photos").set_value([("cut.png", cut.read_bytes(), "image/png")]).run()
    assert "open “No strip in the photo?”" in screen.error[0].value.replace("\\", "")
    screen.toggle(key="own-bare").set_value(True).run()
    screen.number_input(key="own-bare-mm").set_value(round(apart_mm, 2)).run()
    assert any("both ends of the known length" in info.value for info in screen.info)
    desk = screen.session_state["desks"]["own"]
    sha256 = hashlib.sha256(cut.read_bytes()).hexdigest()
    picks = [("scale", apex[i]), ("scale", apex[j]), ("along", apex[i]), ("along", apex[j]), ("cheek", 2.0 * shoulder[j] - apex[j])]
    for mode, (x, y) in picks:
        desk.to(desk.now.picked({"mode": mode, "x_px": float(x), "y_px": float(y), "position_mm": None}, sha256))
    screen.number_input(key="own-angle").set_value(30.0)
    screen.button(key="own-submit").click().run()
    assert not screen.exception
    assert not screen.error, [e.value for e in screen.error]
    result = screen.session_state["result"]
    scale = result.task.sides[0].hints[0].scale
    assert scale.px_per_mm == pytest.approx(apart_px / apart_mm, rel=1e-3)
    expected = measure_sides((Side((open_photo(cut),), result.task.sides[0].declared, None, result.task.sides[0].hints),))
    assert screen.header[0].value == headline(expected)[0].text
    # The same edge as with the strip, within what both say of themselves: an undeclared height and a view taken as square cost most.
    mine, theirs = expected.widths, known
    u = float(np.hypot(np.nanmedian(mine.width_u_mm), np.nanmedian(theirs.width_u_mm)))
    assert abs(float(np.nanmedian(mine.width_mm) - np.nanmedian(theirs.width_mm))) <= 2 * u


def test_other_photos_do_not_take_over_what_was_said_of_the_first_unnoticed(demos) -> None:
    first, second = demos["belly-thickens"].photos[0], demos["plain-edge"].photos[0]
    screen = AppTest.from_file(str(SCREEN), default_timeout=300).run()
    _drop(screen, "photos", first)
    _declare(screen, "own", demos["belly-thickens"].declared)
    desk = screen.session_state["desks"]["own"]
    desk.to(replace(desk.now, spots=(Spot(20.0, 0.47),)))
    screen.text_input(key="own-blade-maker").set_value("Halden").run()
    screen.toggle(key="own-bare").set_value(True).run()
    screen.radio(key="own-bare-kind").set_value(bare._STATED).run()
    screen.number_input(key="own-bare-px").set_value(85.0).run()
    screen.toggle(key="own-bare").set_value(False).run()
    _drop(screen, "photos", first, second)
    assert not any("Do they hold for this edge too" in w.value for w in screen.warning), "one of them is still the same"
    _drop(screen, "photos", first)
    _drop(screen, "photos", second)
    said = next(w.value for w in screen.warning if "Do they hold for this edge too" in w.value)
    assert "belly" in said
    assert any("by what you gave for other photos, not confirmed yet" in m.value for m in screen.markdown)
    screen.button(key="carried-keep").click().run()
    assert screen.header
    assert not any("not confirmed yet" in m.value for m in screen.markdown)
    _drop(screen, "photos", first)
    screen.button(key="carried-afresh").click().run()
    assert not screen.exception
    assert not screen.header
    assert screen.number_input(key="own-angle").value is None
    assert screen.text_input(key="own-blade-maker").value == ""
    screen.toggle(key="own-bare").set_value(True).run()
    screen.radio(key="own-bare-kind").set_value(bare._STATED).run()
    assert screen.number_input(key="own-bare-px").value is None, "another photo has another scale"
    screen.toggle(key="own-bare").set_value(False).run()
    assert screen.session_state["desks"]["own"].now.readings == ()
    screen.button(key="own-undo").click().run()
    assert screen.session_state["desks"]["own"].now.readings == (Reading(20.0, 0.47),), "nothing typed is lost"


def test_a_better_photo_in_place_of_a_bad_one_before_anything_was_said_asks_nothing(demos) -> None:
    screen = AppTest.from_file(str(SCREEN), default_timeout=300).run()
    _drop(screen, "photos", demos["belly-thickens"].photos[0])
    _drop(screen, "photos", demos["plain-edge"].photos[0])
    assert not any("Do they hold for this edge too" in w.value for w in screen.warning)


def _look_at(screen: AppTest, page: str) -> None:
    screen.switch_page(page).run()
    assert not screen.exception


def test_photos_and_job_are_there_again_after_another_screen_and_go_when_removed(demos) -> None:
    demo = demos["belly-thickens"]
    screen = AppTest.from_file(str(SCREEN), default_timeout=300).run()
    _drop(screen, "photos", demo.photos[0])
    _declare(screen, "own", demo.declared)
    before = screen.header[0].value
    text = screen.session_state["result"].file("job.toml")
    _look_at(screen, "screens/howto.py")
    _look_at(screen, "screens/measure.py")
    assert any("Still here: belly" in m.value for m in screen.markdown)
    assert screen.header[0].value == before
    assert screen.session_state["bench"].searches == 2, "nothing is searched again"
    _look_at(screen, "screens/howto.py")
    _look_at(screen, "screens/measure.py")
    assert screen.header[0].value == before
    screen.button(key="photos-drop-0").click().run()
    assert any("A demo blade" in i.value for i in screen.info)

    screen.file_uploader(key="job-file").set_value(("job.toml", text, "application/toml")).run()
    _drop(screen, "photos", demos["plain-edge"].photos[0])
    assert any("by a job file made for other photos" in m.value for m in screen.markdown)
    _look_at(screen, "screens/howto.py")
    _look_at(screen, "screens/measure.py")
    assert any("job.toml is open" in s.value.replace("\\", "") for s in screen.success)
    screen.button(key="job-file-drop-0").click().run()
    assert not screen.success
    assert not any("job file" in m.value for m in screen.markdown)
    assert screen.number_input(key="own-angle").value == demo.declared.included_angle_deg, "the facts given by hand, not the job's"


def test_what_was_said_of_a_photo_without_strip_is_there_again_after_another_screen(demos) -> None:
    screen = AppTest.from_file(str(SCREEN), default_timeout=300).run()
    _drop(screen, "photos", demos["belly-thickens"].photos[0])
    screen.toggle(key="own-bare").set_value(True).run()
    screen.number_input(key="own-bare-mm").set_value(31.5).run()
    screen.number_input(key="own-bare-mm-off").set_value(None).run()
    assert any("how far off that may be" in i.value for i in screen.info)
    _look_at(screen, "screens/howto.py")
    _look_at(screen, "screens/measure.py")
    assert screen.toggle(key="own-bare").value
    assert screen.number_input(key="own-bare-mm").value == 31.5
    assert screen.number_input(key="own-bare-mm-off").value is None

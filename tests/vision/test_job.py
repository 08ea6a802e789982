"""The job file: reads back equal, refuses what it does not understand, opens the photos it was made with."""

import hashlib
import math
import pathlib
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision import job as jobs
from vision.declared import ASSUMABLE, Caliper, Declared, Lie, Reading
from vision.errors import DeclarationError, PhotoRefused
from vision.hints import DeclaredScale, Guide, Hints, LineKind
from vision.job import Blade, Job, JobPhoto, JobSide, Method
from vision.zones import Stretches

# TOML holds Unicode scalar values: surrogates are none.
words = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
calipers = st.builds(Caliper, st.floats(0.001, 0.1), st.floats(0.001, 0.1))
readings = st.lists(st.builds(Reading, st.floats(-50, 150), st.floats(0.01, 2.0), st.booleans()), max_size=3).map(tuple)
spans = st.tuples(st.floats(-10, 50), st.floats(51, 150))
points = st.tuples(st.floats(0, 9999), st.floats(0, 9999))
hints = st.builds(
    Hints,
    st.lists(st.builds(Guide, st.sampled_from(LineKind), st.floats(0, 9999), st.floats(0, 9999)), max_size=3).map(tuple),
    st.just(()) | st.lists(points, min_size=2, max_size=4, unique=True).map(tuple),
    st.none() | points,
    st.none() | st.builds(DeclaredScale, st.floats(1, 2000), st.floats(0, 0.25), words),
)
photos = st.lists(st.builds(JobPhoto, words, words, hints), min_size=1, max_size=2).map(tuple)


def declared(draw, caliper, read):
    return Declared(
        included_angle_deg=draw(st.none() | st.floats(45, 120)),
        angle_tolerance_deg=draw(st.floats(0, 20)),
        lie=draw(st.sampled_from(Lie)),
        cheek_angle_deg=draw(st.floats(0, 20)),
        edge_height_mm=draw(st.none() | st.floats(-20, 50)),
        edge_height_tolerance_mm=draw(st.floats(0, 10)),
        camera_distance_mm=draw(st.none() | st.floats(15, 1000)),
        printed_bar_mm=draw(st.none() | st.tuples(st.floats(90, 110), st.floats(90, 110))),
        readings=read,
        caliper=caliper,
    )


@st.composite
def whole_jobs(draw):
    caliper, landmark = draw(calipers), draw(words)
    first = JobSide(
        draw(photos), declared(draw, caliper, draw(readings)), landmark, draw(st.none() | st.floats(-50, 150)), draw(st.booleans())
    )
    other = [JobSide(draw(photos), declared(draw, caliper, ()), landmark, draw(st.floats(-50, 150)))] if draw(st.booleans()) else []
    blade, method = draw(st.builds(Blade, *[words] * 5)), draw(st.builds(Method, words, words, words, st.floats(0, 0.5)))
    stretches = Stretches(tuple(draw(st.lists(spans, max_size=2))), draw(st.dictionaries(words, spans, max_size=2)), (draw(spans),))
    return Job((first, *other), blade, method, stretches)


@settings(max_examples=150, deadline=None)
@given(whole_jobs())
def test_reads_back_equal(job):
    text = jobs.job_text(job)
    assert jobs.job_from_text(text) == job
    assert jobs.job_text(jobs.job_from_text(text)) == text
    assert jobs.as_written(text)
    assert not any(jobs.as_written(t) for t in (text + " ", text.replace("\n", "\r\n"), text.partition("\n")[2], ""))


LEAST = '[[sides]]\nphotos = [{ path = "a.jpg" }]\n'


def test_what_is_left_out_has_the_librarys_defaults():
    job = jobs.job_from_text(LEAST)
    assert job == Job((JobSide((JobPhoto("a.jpg"),), Declared(included_angle_deg=None)),))


def test_a_job_keeps_apart_what_was_said_and_what_was_assumed():
    # Without word from who asked, whatever has the default's value counts as assumed; another value never does.
    assert Declared(included_angle_deg=30.0).assumed == ASSUMABLE
    assert (
        replace(Declared(included_angle_deg=30.0), angle_tolerance_deg=1.0, lie=Lie.CHEEK_DOWN, cheek_angle_deg=3.0).assumed
        == ASSUMABLE[2:]
    )
    said = Declared(included_angle_deg=30.0, assumed=("lie",))
    job = Job((JobSide((JobPhoto("a.jpg"),), said),))
    text = jobs.job_text(job)
    assert 'assumed = [\n    "lie",\n]' in text
    assert "angle_tolerance_deg = 2.0" in text
    assert jobs.job_from_text(text).sides[0].declared.assumed == ("lie",)
    # By hand: what is left out is assumed, what is written is not.
    tables = "declared.included_angle_deg = 30\ndeclared.angle_tolerance_deg = 2\n[caliper]\naccuracy_mm = 0.03\n"
    by_hand = jobs.job_from_text(LEAST + tables).sides[0].declared
    assert by_hand.assumed == tuple(n for n in ASSUMABLE if n not in ("angle_tolerance_deg", "caliper_accuracy_mm"))
    with pytest.raises(DeclarationError, match="'colour'"):
        jobs.job_from_text(LEAST + 'declared.assumed = ["colour"]\n')


def test_whole_numbers_pass_for_numbers_and_nothing_else_does():
    job = jobs.job_from_text(LEAST + "declared.included_angle_deg = 30\ndeclared.printed_bar_mm = [100, 99.8]\n")
    assert job.sides[0].declared == Declared(included_angle_deg=30.0, printed_bar_mm=(100.0, 99.8))
    # To the file format 30 and 30.0 differ; the result must not.
    assert isinstance(job.sides[0].declared.included_angle_deg, float)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a = ", "not TOML"),
        ("", "0 sides"),
        ("schema = 2\n" + LEAST, "schema 2"),
        ("schema = '1'\n" + LEAST, "schema"),
        ("knife = 1\n" + LEAST, "knife: there is no such key"),
        (LEAST + "declared.angle = 30", r"sides\[0\].declared.angle: there is no such key"),
        (LEAST + "declared.included_angle_deg = '30'", "included_angle_deg = '30': it must be a number"),
        (LEAST + "declared.included_angle_deg = true", "it must be a number"),
        (LEAST + "declared.included_angle_deg = nan", "--angle nan"),
        (LEAST + "declared.lie = 'sideways'", "level, cheek-down"),
        (LEAST + "declared.lie = 'cheek-down'", "--cheek-angle"),
        (LEAST + "declared.printed_bar_mm = [100.0]", "two numbers"),
        (LEAST + "declared.printed_bar_tolerance_mm = -1", "tolerance of --printed-bar"),
        (LEAST + "declared.readings = []", "declared.readings: there is no such key"),
        ("[[sides]]\nphotos = []", "each with a photo"),
        ("[[sides]]\nphotos = [1]", r"photos\[0\] = 1: it must be a table"),
        ("[[sides]]\nphotos = [{ sha256 = 'ab' }]", r"photos\[0\].path: it is missing"),
        (LEAST + LEAST + LEAST, "3 sides"),
        (LEAST + "landmark = 'heel'\n" + LEAST + "landmark = 'tip'", "same one"),
        (LEAST + "[[readings]]\nposition_mm = 3.0", r"readings\[0\].thickness_mm: it is missing"),
        (LEAST + "[[readings]]\nposition_mm = 3.0\nthickness_mm = 0.5\nset_aside = 'no'", "true or false"),
        (LEAST + "[[readings]]\nposition_mm = 3.0\nthickness_mm = 50.0", "--caliper READING"),
        (LEAST + "[stretches]\nonly = [[5.0, 3.0]]", "smaller to a larger"),
        (LEAST + "[stretches]\nonly = [5.0, 30.0]", "a list"),
        (LEAST + "[stretches]\napart = { tip = 3 }", "tip"),
        (LEAST + "[stretches]\nexcept = [[1.0, 2.0]]", "except: there is no such key"),
        (LEAST + "[blade]\nmaker = 3", "maker = 3: it must be text"),
    ],
)
def test_refused_in_one_line_that_names_the_place(text, words):
    with pytest.raises(DeclarationError, match=words) as caught:
        jobs.job_from_text(text, "my.toml")
    assert "\n" not in str(caught.value)


def test_a_file_that_an_editor_marked_as_utf8_is_read_and_one_in_another_encoding_refused(tmp_path):
    path = tmp_path / "job.toml"
    path.write_bytes(b"\xef\xbb\xbf" + LEAST.encode())
    assert jobs.read_job(path) == jobs.job_from_text(LEAST)
    path.write_bytes(LEAST.encode("utf-16"))
    with pytest.raises(DeclarationError, match="it is no text in UTF-8, as a job file is; give the job"):
        jobs.read_job(path)


def test_a_file_that_cannot_be_read(tmp_path):
    with pytest.raises(DeclarationError, match=r"none\.toml"):
        jobs.read_job(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b"maker = '\xe9'")
    with pytest.raises(DeclarationError, match="no text in UTF-8"):
        jobs.read_job(tmp_path / "latin.toml")


@pytest.fixture
def picture(tmp_path):
    """A small photo in a folder of photos beside the job's."""
    folder = tmp_path / "photos"
    folder.mkdir()
    path = folder / "a b.png"
    path.write_bytes(cv2.imencode(".png", np.full((100, 200, 3), 90, np.uint8))[1].tobytes())
    return path


def job_of(path, sha256=""):
    return Job((JobSide((JobPhoto(path, sha256),), Declared(included_angle_deg=30.0), "heel", 4.0),), method=Method(repeatability_mm=0.01))


def test_photos_are_found_beside_the_file_and_known_by_their_bytes(picture, tmp_path):
    here = tmp_path / "jobs"
    here.mkdir()
    name = jobs.relative(picture, here)
    assert name == "../photos/a b.png"
    jobs.write_job(job_of(name, hashlib.sha256(picture.read_bytes()).hexdigest()), here / "job.toml")
    (side,), kept = jobs.open_job(jobs.read_job(here / "job.toml"), here)
    assert side.photos[0].name == "a b.png"
    assert not side.moved_light
    lit = replace(job_of(name).sides[0], moved_light=True)
    assert jobs.open_job(replace(job_of(name), sides=(lit,)), here)[0][0].moved_light
    assert (side.landmark_mm, kept.repeatability_mm) == (4.0, 0.01)
    picture.write_bytes(picture.read_bytes() + b"\0")
    with pytest.raises(DeclarationError, match="SHA-256 differs"):
        jobs.open_job(jobs.read_job(here / "job.toml"), here)
    # Without the sum the job takes what is there.
    assert jobs.open_job(job_of(name), here)[0][0].photos[0].width_px == 200


def test_missing_photos_and_folders_are_refused(picture, tmp_path):
    with pytest.raises(DeclarationError, match=r"gone\.png"):
        jobs.open_job(job_of("gone.png"), tmp_path)
    with pytest.raises(PhotoRefused):
        jobs.open_job(job_of("photos"), tmp_path)


def test_moved_and_hashed_jobs_open_the_same_photo(picture, tmp_path):
    profile = tmp_path / "camera.json"
    profile.write_text("{}")
    job = job_of("photos/a b.png")
    job = Job(job.sides, method=Method(camera_profile="camera.json"))
    (side,), _ = jobs.open_job(job_of("photos/a b.png"), tmp_path)
    known = jobs.with_hashes(job, side.photos, tmp_path)
    assert known.sides[0].photos[0].sha256 == side.photos[0].sha256
    assert known.method.camera_sha256 == hashlib.sha256(b"{}").hexdigest()
    there = jobs.moved(known, tmp_path, tmp_path / "deep" / "out")
    assert there.sides[0].photos[0].path == "../../photos/a b.png"
    assert there.method.camera_profile == "../../camera.json"
    assert jobs.moved(there, tmp_path / "deep" / "out", tmp_path) == known


def test_readings_belong_to_the_first_side():
    one = JobSide((JobPhoto("a"),), Declared(included_angle_deg=30.0))
    with pytest.raises(DeclarationError, match="first side"):
        Job((one, JobSide((JobPhoto("b"),), Declared(included_angle_deg=30.0, readings=(Reading(3.0, 0.5),)))))
    with pytest.raises(DeclarationError, match="first side"):
        Job((one, JobSide((JobPhoto("b"),), Declared(included_angle_deg=30.0, caliper=Caliper(0.02)))))


def test_a_landmark_that_is_no_number_is_left_to_the_pipeline():
    job = jobs.job_from_text(LEAST + "landmark_mm = nan")
    assert math.isnan(job.sides[0].landmark_mm)


def test_the_example_in_the_readme_is_a_job():
    readme = (pathlib.Path(__file__).resolve().parents[2] / "README.md").read_text(encoding="utf-8")
    job = jobs.job_from_text(readme.split("```toml\n")[1].split("```")[0])
    assert [s.landmark_mm for s in job.sides] == [4.2, 101.5]
    assert job.sides[0].declared.readings == (Reading(20.6, 0.47),)
    assert job.stretches.apart == {"tip": (48.0, 62.0)}

"""The command's contract (design.md section 9): flags, exit status, one line on stderr, nothing written when refused."""

from __future__ import annotations

import io
import json
import os
import socket
import subprocess
import sys
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.exceptions import Abort
from PIL import Image
from streamlit import config

import vision.measure
from app import cli, commands, files
from app.demo import FOLDER
from vision import job
from vision.declared import Declared, Lie, Reading
from vision.errors import EdgeNotFound
from vision.flags import Note
from vision.hints import Guide, Hints, LineKind
from vision.results import Measurement


@pytest.fixture
def photo(tmp_path: Path) -> Path:
    """A grey picture of the size that the made-up measurement's photos have."""
    path = tmp_path / "edge-1.jpg"
    Image.fromarray(np.full((960, 1280, 3), 128, np.uint8)).save(path)
    return path


@pytest.fixture
def stand_in(monkeypatch: pytest.MonkeyPatch, measurement: Measurement) -> list[dict]:
    """The library's call replaced by one that keeps what it was given: what is tested here is the command around it."""
    calls: list[dict] = []

    def measure_sides(sides, settings, progress, at_once=1):
        (side,) = sides
        calls.append(
            {"photos": side.photos, "declared": side.declared, "settings": settings, "stretches": settings.stretches, "hints": side.hints}
            | {"moved_light": side.moved_light}
        )
        return measurement

    monkeypatch.setattr(vision.measure, "measure_sides", measure_sides)
    return calls


def test_the_picture_for_sharing_is_added_when_asked_for(photo: Path, tmp_path: Path, stand_in: list[dict]) -> None:
    out = tmp_path / "result"
    assert cli.main(["measure", str(photo), "--angle", "30", "--picture", "--out", str(out)]) == 0
    with Image.open(out / "picture.png") as picture:
        assert picture.size == (1200, 630)
    again = tmp_path / "again"
    assert cli.main(["measure", "--job", str(out / "job.toml"), "--picture", "--out", str(again)]) == 0
    assert (again / "picture.png").read_bytes() == (out / "picture.png").read_bytes()
    # Measured anew without it, the earlier one would pass for this result's.
    assert cli.main(["measure", str(photo), "--angle", "30", "--out", str(out)]) == 0
    assert not (out / "picture.png").exists()


def test_result_folder_holds_the_contracts_files(photo: Path, tmp_path: Path, stand_in: list[dict], measurement, capsys) -> None:
    out = tmp_path / "deep" / "result"
    assert cli.main(["measure", str(photo), "--angle", "30", "--out", str(out)]) == 0
    assert sorted(p.name for p in out.iterdir()) == ["job.toml", "measurement.json", "overlay.jpg", "profile.csv", "report.pdf"]
    assert files.read_measurement(out / "measurement.json") == measurement
    assert (out / "profile.csv").read_text() == files.profile_text(measurement)
    with Image.open(out / "overlay.jpg") as picture:
        assert picture.size == (1280, 960)
    shown = capsys.readouterr()
    assert "0.472 ± 0.024 mm" in shown.out
    assert shown.err == ""
    assert [p.name for p in out.parent.iterdir()] == ["result"], "no half-written folder is left beside it"


def test_every_flag_reaches_the_library(photo: Path, tmp_path: Path, stand_in: list[dict]) -> None:
    flags = (
        "--angle 30 --angle-tolerance 1.5 --lie cheek-down --cheek-angle 3 --edge-height 0.4 --edge-height-tolerance 0.1 "
        "--camera-distance 95 --camera-distance-tolerance 4 --printed-bar 99.6,99.8 --caliper 20.6=0.47 --caliper 31.5=0.54 "
        "--set-aside 31.5 --repeatability 0.004 --caliper-accuracy 0.02 --caliper-resolution 0.005 "
        "--only 5:48 --apart tip=48:62 --leave-out 20:34 --guide shoulder:812,455.5 --guide 1:apex:800,520 --lights"
    )
    assert cli.main(["measure", str(photo), *flags.split(), "--out", str(tmp_path / "o")]) == 0
    (call,) = stand_in
    declared: Declared = call["declared"]
    assert (declared.included_angle_deg, declared.angle_tolerance_deg, declared.lie, declared.cheek_angle_deg) == (
        30,
        1.5,
        Lie.CHEEK_DOWN,
        3,
    )
    assert (declared.height_mm, declared.camera_distance_mm, declared.camera_distance_tolerance_mm) == ((0.4, 0.1), 95, 4)
    assert declared.printed_bar_mm == (99.6, 99.8)
    assert declared.readings == (Reading(20.6, 0.47), Reading(31.5, 0.54, set_aside=True))
    assert call["settings"].repeatability_mm == 0.004
    assert (declared.caliper.accuracy_mm, declared.caliper.resolution_mm) == (0.02, 0.005)
    assert call["stretches"].only == ((5, 48),)
    assert call["stretches"].apart == {"tip": (48, 62)}
    assert call["stretches"].leave_out == ((20, 34),)
    assert call["photos"][0].name == "edge-1.jpg"
    assert call["moved_light"]
    assert call["hints"] == (Hints((Guide(LineKind.SHOULDER, 812, 455.5), Guide(LineKind.APEX, 800, 520))),)


@pytest.mark.parametrize(
    ("words", "px_per_mm", "u"),
    [
        ("--scale 50 --scale-tolerance 2", 50.0, 0.02 / 3**0.5),
        # Two points 1000 px apart, each good to 4 px in a photo of 1280; 25.4 is good to half of its last digit, or as the flag says.
        ("--scale-between 100,100 700,900 25.4", 1000 / 25.4, ((2 / 3) * 0.004**2 + (0.05 / 25.4) ** 2 / 3) ** 0.5),
        ("--scale-between 100,100 700,900 25.4 --scale-tolerance 1", 1000 / 25.4, ((2 / 3) * 0.004**2 + 0.01**2 / 3) ** 0.5),
    ],
)
def test_a_photo_without_the_strip(words: str, px_per_mm: float, u: float, photo: Path, tmp_path: Path, stand_in: list[dict]) -> None:
    flags = f"{words} --along 100,500 900,520 --cheek 500,300 --angle 30"
    assert cli.main(["measure", str(photo), *flags.split(), "--out", str(tmp_path / "o")]) == 0
    (hints,) = stand_in[0]["hints"]
    assert hints.along_px == ((100, 500), (900, 520))
    assert hints.cheek_px == (500, 300)
    assert (hints.scale.px_per_mm, hints.scale.u_relative) == (pytest.approx(px_per_mm), pytest.approx(u))
    # The job file holds the scale as it was had, so that it needs no ticks again.
    (again,) = job.read_job(tmp_path / "o" / "job.toml").sides[0].photos
    assert again.hints == hints


@pytest.mark.parametrize(
    ("scale", "words"),
    [
        ("--scale-between 100,100 9900,900 25.4", "--scale-between 9900,900: it lies outside the photo, which is 1280 x 960 px"),
        ("--scale-between 40,-100 700,900 25.4", "--scale-between 40,-100: it lies outside the photo"),
        ("--scale-between 100,100 700,900 25.4 --scale-tolerance 0", "--scale-tolerance of 0 mm: it must be more than zero"),
        ("--scale 50 --scale-tolerance 0", "--scale-tolerance 0: it must be more than zero"),
    ],
)
def test_a_scale_that_cannot_be_exits_3(scale: str, words: str, photo: Path, tmp_path: Path, stand_in: list[dict], capsys) -> None:
    out = tmp_path / "o"
    flags = f"{scale} --along 100,500 900,520 --cheek 500,300 --angle 30"
    assert words in refused(["measure", str(photo), *flags.split(), "--out", str(out)], out, capsys)


def test_a_rule_without_ticks_exits_3(photo: Path, tmp_path: Path, capsys) -> None:
    flags = "--scale-rule 100,100 1100,120 --along 100,500 900,520 --cheek 500,300 --angle 30"
    assert cli.main(["measure", str(photo), *flags.split(), "--out", str(tmp_path / "o")]) == 3
    assert "even spacing" in capsys.readouterr().err
    assert not (tmp_path / "o").exists()


def test_places_before_the_scales_0_can_be_named(photo: Path, tmp_path: Path, stand_in: list[dict]) -> None:
    flags = ["--caliper", "-0.5=0.47", "--set-aside", "-0.5", "--leave-out", "-1:3", "--only", "-.5:40", "--edge-height", "-2"]
    assert cli.main(["measure", str(photo), "--angle", "30", *flags, "--out", str(tmp_path / "o")]) == 0
    (call,) = stand_in
    assert call["declared"].readings == (Reading(-0.5, 0.47, set_aside=True),)
    assert (call["stretches"].leave_out, call["stretches"].only) == (((-1, 3),), ((-0.5, 40),))
    assert call["declared"].edge_height_mm == -2


def test_flags_that_were_not_given_leave_the_librarys_defaults() -> None:
    options = cli.build_parser().parse_args(["measure", "p.jpg", "--angle", "30", "--out", "o"])
    assert commands.declared_from(options) == Declared(included_angle_deg=30.0)


def test_a_typed_default_is_declared_and_a_flag_left_out_is_assumed() -> None:
    words = "measure p.jpg --angle 30 --angle-tolerance 2 --lie level --caliper 20=0.5 --caliper-accuracy 0.03 --out o"
    declared = commands.declared_from(cli.build_parser().parse_args(words.split()))
    assert declared.assumed == (
        "edge_height_tolerance_mm", "camera_distance_tolerance_mm", "printed_bar_tolerance_mm", "caliper_resolution_mm",
    )  # fmt: skip
    assert declared.assumed_in_words == ("its step 0.01 mm",)


@pytest.mark.parametrize(
    "wrong",
    [
        "", "polish", "measure", "measure p.jpg", "measure p.jpg --angle x --out o", "measure p.jpg --lie sideways --out o",
        "measure p.jpg --caliper 0.47 --out o", "measure p.jpg --caliper a=b --out o", "measure p.jpg --printed-bar 99.6 --out o",
        "measure p.jpg --printed-bar 1,2,3 --out o", "measure p.jpg --only 5 --out o", "measure p.jpg --apart 5:6 --out o",
        "measure p.jpg --angle-tolerance 1 --caliper 20=0.5 --out o",
        "measure p.jpg --edge-height-tolerance 0.1 --out o", "measure p.jpg --camera-distance-tolerance 3 --out o",
        "measure p.jpg --ang 30 --out o", "target --paper a3 --out o", "target", "camera --out o", "app --port x",
        "measure p.jpg --job j.toml --out o", "measure --job j.toml --angle-tolerance 2 --out o",
        "measure p.jpg --angle 30 --caliper 20=0.5 --set-aside 21 --out o", "plan r", "plan r --take-back 0.1 --bevel-width 1",
        "repeatability", "measure p.jpg --guide cheek:1,2 --out o", "measure p.jpg --guide shoulder:1 --out o",
        "measure p.jpg --guide shoulder:1,b --out o", "measure p.jpg --guide 2:shoulder:1,2 --out o",
        "measure p.jpg --along 1,2 --out o", "measure p.jpg --along 1,2 3,x --out o", "measure p.jpg --along 2:1,2 3,4 --out o",
        "measure p.jpg --along a:1,2 3,4 --out o", "measure p.jpg --along 1,2 3,4 --along 1,2 5,6 --out o",
        "measure p.jpg --scale 50 --along 1,2 3,4 --cheek 5,6 --out o", "measure p.jpg --scale 50 --scale-tolerance 2 --out o",
        "measure p.jpg --scale-tolerance 2 --out o", "measure p.jpg --cheek 5,6 --out o", "measure p.jpg --scale-between 1,2 3,4 --out o",
        "measure p.jpg --scale-between 1,2 3,4 x --along 1,2 3,4 --out o", "measure p.jpg --scale-rule 1,2 --along 1,2 3,4 --out o",
        "measure p.jpg --scale-rule 1,2 3,4 1 1 --along 1,2 3,4 --out o",
        "measure p.jpg --scale-rule 1,2 3,4 --scale-between 1,2 3,4 5 --along 1,2 3,4 --out o",
        "measure p.jpg q.jpg --scale-rule 1,2 3,4 --along 1,2 3,4 --out o",
        "measure p.jpg --scale-rule 1,2 3,4 --along 1,2 3,4 --printed-bar 99,99 --out o",
        "measure p.jpg --guide 0:shoulder:1,2 --out o", "measure p.jpg --guide a:b:shoulder:1,2 --out o",
        "measure p.jpg --angle 30 --apart tip=5:10 --apart tip=20:30 --out o",
    ],
)  # fmt: skip
def test_misuse_exits_2(wrong: str, capsys) -> None:
    with pytest.raises(SystemExit) as left:
        cli.main(wrong.split())
    assert left.value.code == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1, "one line, as a refusal"
    assert said.endswith(" --help' lists the flags.\n")


@pytest.mark.parametrize("words", ["{0} --angle 30 {1} --edge-height 0.4", "--angle 30 {0} --edge-height 0.4 {1}", "--angle 30 {0} {1}"])
def test_photos_may_stand_between_the_flags(words: str, monkeypatch) -> None:
    kept: list = []
    monkeypatch.setattr(commands, "measure", kept.append)
    assert cli.main(["measure", *words.format("a.jpg", "b.jpg").split(), "--guide", "2:apex:8,9", "--out", "o"]) == 0
    (side,) = commands.job_from(kept[0]).sides
    assert [(p.path, bool(p.hints)) for p in side.photos] == [("a.jpg", False), ("b.jpg", True)]


def test_results_may_stand_between_the_flags(measurement: Measurement, tmp_path: Path, capsys) -> None:
    for name in "ab":
        (tmp_path / name).mkdir()
        photos = tuple(replace(p, sha256=name * 64) for p in measurement.photos)
        (tmp_path / name / "measurement.json").write_text(files.measurement_text(replace(measurement, photos=photos)))
    assert cli.main(["compare", str(tmp_path / "a"), "--align", "heel", str(tmp_path / "b")]) == 0
    assert f"{tmp_path / 'b'} minus {tmp_path / 'a'}:" in capsys.readouterr().out


def test_a_flag_that_is_unknown_stays_a_misuse_among_late_photos(capsys) -> None:
    with pytest.raises(SystemExit) as left:
        cli.main(["measure", "p.jpg", "--angle", "30", "q.jpg", "--edge-hieght", "0.4", "--out", "o"])
    assert left.value.code == 2
    assert "unrecognized arguments: q.jpg --edge-hieght 0.4" in capsys.readouterr().err


def test_marks_that_leave_nothing_of_the_edge_are_refused(
    photo: Path, tmp_path: Path, measurement: Measurement, monkeypatch, capsys
) -> None:
    note = Note("no-main-stretch", "the marked stretches leave no measured place", "leave out less")
    monkeypatch.setattr(vision.measure, "measure_sides", lambda *_: replace(measurement, zones=None, budget=None, notes=(note,)))
    before, out = sorted(tmp_path.iterdir()), tmp_path / "o"
    # Told without a look at the photo, which is not even there.
    with pytest.raises(SystemExit) as left:
        cli.main(f"measure none.jpg --angle 30 --only 10:20 --leave-out 14:21 --leave-out 5:15 --out {out}".split())
    assert left.value.code == 2
    assert "--leave-out takes away all that --only leaves" in capsys.readouterr().err
    assert cli.main(f"measure {photo} --angle 30 --leave-out 0:100 --out {out}".split()) == 2
    shown = capsys.readouterr()
    assert (shown.out, shown.err) == ("", "no result: the marked stretches leave no measured place; leave out less.\n")
    assert sorted(tmp_path.iterdir()) == before
    by = tmp_path / "mine.toml"
    sides = f'[[sides]]\nphotos = [{{ path = "{photo.name}" }}]\ndeclared = {{ included_angle_deg = 30 }}\n'
    by.write_text(f"{sides}[stretches]\nleave_out = [[0, 100]]\n")
    assert "leave no measured place" in refused(["measure", "--job", str(by), "--out", str(out)], out, capsys)


def test_the_readme_says_what_plan_needs(capsys) -> None:
    with pytest.raises(SystemExit):
        cli.main(["plan", "r"])
    assert "give --new-angle, --take-back or --bevel-width" in capsys.readouterr().err
    readme = Path(cli.__file__).parents[1].joinpath("README.md").read_text(encoding="utf-8")
    said = readme.split("### `shoulderline plan RESULT_DIR`")[1].split("\n| flag")[0]
    assert "Give `--new-angle`, `--take-back` or both, or `--bevel-width` alone." in " ".join(said.split())


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ("measure p.jpg --angle 30,5 --out o", "shoulderline measure: argument --angle: '30,5' is not a number: write decimals with a"),
        ("measure p.jpg --angle x --out o", "argument --angle: 'x' is not a number; "),
        ("measure p.jpg --caliper 20=0,47 --out o", "--caliper: '20=0,47': '0,47' is not a number: write decimals with a point; "),
        ("app --port 99999", "--port: '99999': a port is a whole number from 1 to 65535; 'shoulderline app --help' "),
        ("plan r", "shoulderline plan: give --new-angle, --take-back or --bevel-width; 'shoulderline plan --help' lists the flags."),
        ("measure p.jpg --scale 90 --out o", "with --scale-tolerance PERCENT; 'shoulderline measure --help' lists the flags."),
        ("log find zzz", "'shoulderline log find --help' lists the flags."),
        ("mesure", "'shoulderline COMMAND --help' lists the flags."),
    ],
)  # fmt: skip
def test_misuse_says_what_to_write(wrong: str, words: str, capsys) -> None:
    with pytest.raises(SystemExit):
        cli.main(wrong.split())
    assert words in capsys.readouterr().err


def test_app_on_a_port_in_use_is_refused_in_a_sentence(capsys) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        assert cli.main(["app", "--address", "127.0.0.1", "--port", str(port), "--headless"]) == 3
    assert capsys.readouterr().err.startswith(f"--port {port}: another program serves on it")
    # TEST-NET-1 of RFC 5737: no machine has this address.
    assert cli.main(["app", "--address", "192.0.2.1", "--port", str(port), "--headless"]) == 3
    assert capsys.readouterr().err.startswith(f"--address 192.0.2.1 --port {port}: it cannot be served on")


def test_starting_the_app_asks_and_tells_nobody_anything() -> None:
    """A question in the terminal (for an address) would keep the first start waiting; options that Streamlit does not know do nothing."""
    with (Path(commands.__file__).parent / ".streamlit" / "config.toml").open("rb") as file:
        settings = tomllib.load(file)
    assert settings["server"]["showEmailPrompt"] is False
    assert settings["browser"]["gatherUsageStats"] is False
    for section in ("browser", "server", "client"):
        assert {f"{section}.{name}" for name in settings[section]} <= set(config.get_config_options())


def test_leaving_before_the_app_is_served_is_told_in_a_line(monkeypatch, capsys) -> None:
    def main(*_args, **_options):
        raise Abort

    monkeypatch.setattr("app.first.warm", lambda: None)
    monkeypatch.setattr("streamlit.web.cli.main", main)
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    assert cli.main(["app", "--address", "127.0.0.1", "--port", str(port), "--headless"]) == 130
    assert capsys.readouterr().err.startswith("stopped: ")


def test_leaving_while_the_first_demo_is_measured_is_no_crash() -> None:
    # Inside OpenCV a daemon thread brings the interpreter's end down with SIGABRT.
    done = subprocess.run([sys.executable, "-c", "from app import first; first.warm()"], capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")


def test_results_and_jobs_that_are_not_there_are_told_in_words(tmp_path: Path, capsys) -> None:
    gone, out = tmp_path / "gone", tmp_path / "out"
    for arguments in (["plan", str(gone), "--new-angle", "30"], ["measure", "--job", str(gone), "--out", str(out)]):
        assert f"{gone}: it cannot be read (No such file or directory); check the path." in refused(arguments, out, capsys)


def test_of_several_photos_the_one_without_a_strip_is_named(photo: Path, tmp_path: Path, capsys) -> None:
    out = tmp_path / "out"
    demo_photo = FOLDER / "plain-edge.jpg"
    line = refused(["measure", str(demo_photo), str(photo), "--angle", "30", "--out", str(out)], out, capsys)
    assert line.startswith("edge-1.jpg: the printed strip was not found: ")
    assert line.endswith("; or, if the strip is not in the photo, give its scale with --scale, --scale-between or --scale-rule.\n")
    line = refused(["camera", str(photo), "--out", str(out)], out, capsys)
    assert line.startswith("edge-1.jpg: the printed strip was not found: ")
    assert "--scale" not in line, "a camera profile is made from the strip alone"


def test_version_and_help_exit_0(capsys) -> None:
    for flag in ("--version", "--help"):
        with pytest.raises(SystemExit) as left:
            cli.main([flag])
        assert left.value.code == 0
    assert capsys.readouterr().out.startswith("shoulderline ")


def refused(arguments: list[str], out: Path, capsys) -> str:
    """Run, expect exit 3, one line on stderr and nothing at `out`; returns the line."""
    before = sorted(out.parent.iterdir())
    assert cli.main(arguments) == 3
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.count("\n") == 1
    assert sorted(out.parent.iterdir()) == before
    return shown.err


@pytest.mark.parametrize(
    ("flags", "words"),
    [
        ("--angle nan", "--angle"), ("--angle 400", "between 4 and 120"), ("--angle 30 --angle-tolerance -1", "--angle-tolerance"),
        ("--angle 30 --lie cheek-down", "--cheek-angle"), ("--angle 30 --printed-bar 50,100", "--printed-bar"),
        ("--angle 30 --caliper 5=0", "--caliper"), ("--angle 30 --camera-distance 1", "--camera-distance"),
    ],
)  # fmt: skip
def test_impossible_fact_exits_3(flags: str, words: str, photo: Path, tmp_path: Path, capsys) -> None:
    out = tmp_path / "out"
    assert words in refused(["measure", str(photo), *flags.split(), "--out", str(out)], out, capsys)


@pytest.mark.parametrize("kind", ["missing", "empty", "text", "folder", "half", "plain"])
def test_unusable_photo_exits_3(kind: str, photo: Path, tmp_path: Path, capsys) -> None:
    path = {"missing": tmp_path / "none.jpg", "folder": tmp_path, "plain": photo}.get(kind, tmp_path / f"{kind}.jpg")
    if kind in {"empty", "text", "half"}:
        data = io.BytesIO()
        Image.fromarray(np.random.default_rng(1).integers(0, 255, (400, 600, 3), np.uint8)).save(data, "JPEG")
        path.write_bytes({"empty": b"", "text": b"hello\n", "half": data.getvalue()[:300]}[kind])
    out = tmp_path / "out"
    refused(["measure", str(path), "--angle", "30", "--out", str(out)], out, capsys)


def test_refusal_in_the_middle_of_measuring_writes_nothing(photo: Path, tmp_path: Path, monkeypatch, capsys) -> None:
    def measure_sides(*_args, **_options):
        raise EdgeNotFound("edge-1.jpg", "no bevel\nstands out", "turn the lamp")

    monkeypatch.setattr(vision.measure, "measure_sides", measure_sides)
    out = tmp_path / "out"
    line = refused(["measure", str(photo), "--angle", "30", "--out", str(out)], out, capsys)
    assert line == "edge-1.jpg: no bevel stands out; turn the lamp.\n"


def test_foreign_files_stay_and_an_earlier_result_is_replaced(photo: Path, tmp_path: Path, stand_in: list[dict], capsys) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    arguments = ["measure", str(photo), "--angle", "30", "--out", str(out)]
    assert cli.main(arguments) == 0
    (out / "overlay-2.jpg").write_bytes(b"left by an earlier result of two photos")
    assert cli.main(arguments) == 0
    assert (out / "notes.txt").read_text() == "mine"
    assert not (out / "overlay-2.jpg").exists()


def test_files_of_the_same_name_that_are_no_result_are_not_overwritten(photo: Path, tmp_path: Path, stand_in: list[dict], capsys) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "profile.csv").write_text("someone's table")
    assert "profile.csv" in refused(["measure", str(photo), "--angle", "30", "--out", str(out)], out, capsys)
    assert (out / "profile.csv").read_text() == "someone's table"
    assert not stand_in, "refused before the long work, not after"


def test_photo_in_the_result_folder_is_not_overwritten(photo: Path, tmp_path: Path, stand_in: list[dict], capsys) -> None:
    out = tmp_path / "out"
    out.mkdir()
    own = photo.rename(out / "overlay.jpg")
    assert "overwrite the photo" in refused(["measure", str(own), "--angle", "30", "--out", str(out)], out, capsys)
    assert own.exists()


def test_out_that_is_a_file_exits_3(photo: Path, tmp_path: Path, stand_in: list[dict], capsys) -> None:
    assert "not a folder" in refused(["measure", str(photo), "--angle", "30", "--out", str(photo)], photo, capsys)


def test_failing_disk_leaves_nothing(photo: Path, tmp_path: Path, stand_in: list[dict], monkeypatch, capsys) -> None:
    def full(*_args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("app.outputs.os.replace", full)
    parent = tmp_path / "there"
    parent.mkdir()
    assert cli.main(["measure", str(photo), "--angle", "30", "--out", str(parent / "out")]) == 3
    assert "No space left" in capsys.readouterr().err
    assert not [p for p in parent.iterdir() if p.is_file() or any(p.iterdir())]


def test_target_writes_one_page(tmp_path: Path, capsys) -> None:
    out = tmp_path / "strip.pdf"
    assert cli.main(["target", "--paper", "letter", "--out", str(out)]) == 0
    assert out.read_bytes().startswith(b"%PDF")
    assert "print at 100 %" in capsys.readouterr().out


def test_the_strips_page_is_written_over_nothing_but_such_a_page(tmp_path: Path, stand_in: list[dict], photo: Path, capsys) -> None:
    page = tmp_path / "strip.pdf"
    for paper in ("letter", "a4"):
        assert cli.main(["target", "--paper", paper, "--out", str(page)]) == 0
    assert cli.main(["measure", str(photo), "--angle", "30", "--out", str(tmp_path / "r")]) == 0
    capsys.readouterr()
    for mine in (photo, tmp_path / "r" / "report.pdf", tmp_path / "r" / "profile.csv"):
        before = mine.read_bytes()
        line = refused(["target", "--out", str(mine)], mine, capsys)
        assert f"--out {mine}: it is there already and no page with the strip that this program wrote; move it away" in line
        assert mine.read_bytes() == before


def test_a_camera_profile_is_written_over_no_photo(photo: Path, capsys) -> None:
    before = photo.read_bytes()
    assert "would destroy what is read from it" in refused(["camera", *[str(photo)] * 6, "--out", str(photo)], photo, capsys)
    assert photo.read_bytes() == before


def test_a_place_that_lies_in_a_file_is_told_in_words(photo: Path, tmp_path: Path, stand_in: list[dict], capsys) -> None:
    inside = photo / "sub" / "strip.pdf"
    for command in (["target"], ["measure", str(photo), "--angle", "30"], ["measure", str(photo), "--each", "--angle", "30"]):
        line = refused([*command, "--out", str(inside)], photo, capsys)
        assert line.startswith(f"--out {inside}: {photo} is a file, not a folder; name a place in a folder.")


def test_a_place_that_cannot_be_written_goes_by_the_name_that_was_given(
    photo: Path, tmp_path: Path, stand_in: list[dict], monkeypatch, capsys
) -> None:
    def closed(hidden: Path, _place: Path) -> None:
        raise PermissionError(13, "Permission denied", str(hidden))

    monkeypatch.setattr("app.outputs.os.replace", closed)
    for name, command in (("o.pdf", ["target"]), ("r", ["measure", str(photo), "--angle", "30"])):
        assert cli.main([*command, "--out", str(tmp_path / name)]) == 3
        said = capsys.readouterr().err
        assert said.startswith(f"--out {tmp_path / name}: it cannot be written (Permission denied); check the permissions there")


def test_a_job_file_that_is_no_text_is_told_in_words(photo: Path, tmp_path: Path, capsys) -> None:
    out = tmp_path / "o"
    line = refused(["measure", "--job", str(photo), "--out", str(out)], out, capsys)
    assert line.startswith(f"job file {photo}: it is no text in UTF-8, as a job file is; give the job.toml of a result")


def test_target_into_a_folder_exits_3(tmp_path: Path, capsys) -> None:
    assert "name the file" in refused(["target", "--out", str(tmp_path)], tmp_path, capsys)


def test_camera_profile_from_too_few_photos_exits_3(tmp_path: Path, capsys) -> None:
    out = tmp_path / "camera.json"
    assert "6" in refused(["camera", str(FOLDER / "plain-edge.jpg"), "--out", str(out)], out, capsys)


def test_real_command_measures_a_demo_photo(tmp_path: Path) -> None:
    facts = json.loads((FOLDER / "plain-edge.setup.json").read_text())
    command = [sys.executable, "-m", "app.cli", "measure", str(FOLDER / "plain-edge.jpg"), "--angle", str(facts["included_angle"])]
    command += ["--edge-height", str(facts["edge_height"]), "--printed-bar", f"{facts['printed_bar_x']},{facts['printed_bar_y']}"]
    done = subprocess.run([*command, "--out", str(tmp_path / "o")], capture_output=True, text=True, timeout=300, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    table = files.read_profile((tmp_path / "o" / "profile.csv").read_text())
    assert np.diff(table["position_mm"]).max() <= 0.2
    truth = json.loads((FOLDER / "plain-edge.truth.json").read_text())["stations"]
    true_mean = np.mean([s["thickness"] for s in truth])
    # The declared angle alone is off by up to its tolerance: 1.5 of 30 degrees is 5 % of the thickness.
    assert np.nanmean(table["thickness_mm"]) == pytest.approx(true_mean, rel=0.08)


def test_help_answers_without_the_heavy_libraries() -> None:
    code = (
        "import sys, app.cli; app.cli.build_parser(); print(sorted({'cv2','streamlit','matplotlib','scipy','skimage'} & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_whoever_stops_reading_ends_no_command(tmp_path: Path) -> None:
    """`shoulderline ... | head -1`: the rest of what is printed has nobody to go to."""
    command = [sys.executable, "-m", "app.cli", "target", "--out", str(tmp_path / "strip.pdf")]
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(command, stdout=write, stderr=subprocess.PIPE, text=True, check=False)
    os.close(write)
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "strip.pdf").exists()


def test_an_empty_name_is_no_folder(capsys) -> None:
    with pytest.raises(SystemExit) as left:
        cli.main(["measure", "p.jpg", "--angle", "30", "--out", ""])
    assert left.value.code == 2
    assert "--out: the name is empty: say where to write" in capsys.readouterr().err

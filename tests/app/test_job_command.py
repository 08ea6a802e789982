"""``shoulderline measure --job``: a result made again from the job file that it left behind, bit for bit."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import cv2
import numpy as np
import pypdfium2
import pytest

from app import cli, files

_DRAWN = Path(__file__).resolve().parents[1] / "vision" / "drawn.py"
FLAGS = ["--angle", "30", "--edge-height", "0", "--camera-distance", "1000"]
JOB = """
[blade]
maker = "Halden"
specimen = "A3"

[method]
repeatability_mm = 0.003

[[sides]]
landmark = "heel"
landmark_mm = 4
photos = [{ path = "photos/left.png" }, { path = "photos/right.png" }]
declared = { included_angle_deg = 30, edge_height_mm = 0, camera_distance_mm = 1000, printed_bar_mm = [100, 100] }

[[sides]]
landmark = "heel"
landmark_mm = 28
photos = [{ path = "photos/other.png" }]
declared = { included_angle_deg = 34, edge_height_mm = 0, camera_distance_mm = 1000, printed_bar_mm = [100, 100] }

[[readings]]
position_mm = 8
thickness_mm = 0.5

[[readings]]
position_mm = 12
thickness_mm = 0.9
set_aside = true

[stretches]
leave_out = [[0, 2]]
apart = { tip = [20, 24] }
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """A job of three drawn photos, two of one side and one of the other."""
    spec = importlib.util.spec_from_file_location("tests_app_drawn", _DRAWN)
    module = importlib.util.module_from_spec(spec)
    # Dataclasses look their module up by name.

    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    here = tmp_path_factory.mktemp("job")
    (here / "photos").mkdir()
    pixels = module.Drawn().photo().pixels
    for name, part in {
        "left": pixels[:, :1000],
        "right": pixels[:, 800:],
        "other": module.Drawn(seen_width_mm=0.8, seed=2).photo().pixels,
    }.items():
        cv2.imwrite(str(here / "photos" / f"{name}.png"), np.ascontiguousarray(part[..., ::-1]))
    (here / "mine.toml").write_text(JOB)
    return here


def test_a_result_is_made_again_bit_for_bit(folder: Path, capsys) -> None:
    first, again = folder / "first", folder / "deep" / "again"
    assert cli.main(["measure", "--job", str(folder / "mine.toml"), "--out", str(first)]) == 0
    # Nor does it matter how many photos are searched at once.
    assert cli.main(["measure", "--job", str(first / "job.toml"), "--out", str(again), "--jobs", "3"]) == 0
    assert (first / "profile.csv").read_bytes() == (again / "profile.csv").read_bytes()
    texts = [(d / "measurement.json").read_text().splitlines() for d in (first, again)]
    assert [a for a in texts[0] if '"created"' not in a] == [a for a in texts[1] if '"created"' not in a]
    m = files.read_measurement(first / "measurement.json")
    assert [p.name for p in m.photos] == ["left.png", "right.png", "other.png"]
    assert m.other is not None
    other = files.read_profile((first / "profile-other.csv").read_text())
    np.testing.assert_allclose(other["bevel_width_mm"], m.other.widths.width_mm, atol=5.1e-6)
    np.testing.assert_allclose(
        other["bevel_width_u_mm"], np.where(np.isfinite(m.other.widths.width_mm), m.other.widths.width_u_mm, np.nan), atol=5.1e-6
    )
    assert set(other["photo"]) == {"other.png"}
    # Angle and thickness are of both sides together and stand in profile.csv alone.
    assert np.isnan(other["thickness_mm"]).all()
    assert np.isnan(other["angle_per_side_deg"]).all()
    assert [r.set_aside for r in m.declared.readings] == [False, True]
    assert m.zones.stretches[0].name == "tip"
    assert {p.name for p in first.glob("overlay*")} == {"overlay-1.jpg", "overlay-2.jpg", "overlay-3.jpg"}
    written = (first / "job.toml").read_text()
    assert '"../photos/left.png"' in written
    assert written.count("sha256 = ") == 3 + written.count('camera_sha256 = ""')
    assert 'maker = "Halden"' in written
    assert "Both sides photographed: 4 mm on the first side's scale is 28 mm on the other's" in capsys.readouterr().out
    document = pypdfium2.PdfDocument(first / "report.pdf")
    assert "thickness adds both sides" in " ".join(document[1].get_textpage().get_text_range().split())


def test_what_was_typed_into_a_results_job_file_is_not_lost(folder: Path, capsys) -> None:
    out = folder / "typed"
    by_flags = ["measure", str(folder / "photos" / "left.png"), *FLAGS, "--out", str(out)]
    by_job = ["measure", "--job", str(out / "job.toml"), "--out", str(out)]
    for arguments in (by_flags, by_flags, by_job):
        assert cli.main(arguments) == 0, "nothing was typed: an earlier result is replaced"
    path = out / "job.toml"
    path.write_text(path.read_text().replace('maker = ""', "maker = 'Halden #1' # as stamped"))
    typed = {p.name: p.read_bytes() for p in out.iterdir()}
    (folder / "plain.toml").write_text((folder / "mine.toml").read_text())
    each = ["measure", "--each", str(folder / "photos" / "left.png"), *FLAGS, "--out"]
    for arguments in (by_flags, ["measure", "--job", str(folder / "plain.toml"), "--out", str(out)]):
        capsys.readouterr()
        assert cli.main(arguments) == 3
        line = capsys.readouterr().err
        assert f"--out {out}: the job.toml in it was filled in or changed by hand" in line
        assert f"measure by it (--job {path})" in line
    assert {p.name: p.read_bytes() for p in out.iterdir()} == typed
    assert cli.main([*each, str(folder / "many")]) == 0
    (folder / "many" / "left" / "job.toml").write_bytes(typed["job.toml"])
    assert cli.main([*each, str(folder / "many")]) == 3
    assert (folder / "many" / "left" / "job.toml").read_bytes() == typed["job.toml"]
    # Measured by that very file, its words stay, and a later run by flags still must not drop them.
    assert cli.main(by_job) == 0
    assert 'maker = "Halden #1"' in path.read_text()
    assert "\n# as stamped\n" in path.read_text()
    assert cli.main(by_job) == 0
    assert path.read_text().count("as stamped") == 1
    capsys.readouterr()
    assert cli.main(by_flags) == 3
    assert "says “Halden #1”, which no flag does" in capsys.readouterr().err


def test_a_changed_photo_is_refused(folder: Path, capsys) -> None:
    made = (folder / "mine.toml").read_text().replace('"photos/other.png"', '"photos/other.png", sha256 = "00"')
    (folder / "changed.toml").write_text(made)
    out = folder / "never"
    assert cli.main(["measure", "--job", str(folder / "changed.toml"), "--out", str(out)]) == 3
    shown = capsys.readouterr()
    assert shown.err.count("\n") == 1
    assert "other.png" in shown.err
    assert not out.exists()


def test_flags_beside_a_job_would_be_dropped_in_silence(folder: Path, capsys) -> None:
    for flags in (["--angle", "30"], ["--angle-tolerance", "2"], ["--lie", "level"], ["--caliper", "3=0.5"], ["p.jpg"]):
        with pytest.raises(SystemExit) as left:
            cli.main(["measure", *flags, "--job", str(folder / "mine.toml"), "--out", str(folder / "o")])
        assert left.value.code == 2
        assert "--job" in capsys.readouterr().err


def test_flags_leave_a_job_that_repeats_them(folder: Path, capsys) -> None:
    photo = folder / "photos" / "left.png"
    flags = "--angle 30 --edge-height 0 --camera-distance 1000 --caliper 8=0.5 --caliper 12=0.9 --set-aside 12 --repeatability 0.01"
    assert cli.main(["measure", str(photo), *flags.split(), "--out", str(folder / "flags")]) == 0
    shown = capsys.readouterr().out
    assert "job.toml" in shown
    assert cli.main(["measure", "--job", str(folder / "flags" / "job.toml"), "--out", str(folder / "flags2")]) == 0
    assert (folder / "flags" / "profile.csv").read_bytes() == (folder / "flags2" / "profile.csv").read_bytes()
    checks = files.read_measurement(folder / "flags" / "measurement.json").cross_checks
    assert [c.reading.set_aside for c in checks] == [False, True]
    assert not (folder / "flags" / "profile-other.csv").exists()

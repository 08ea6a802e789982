"""``shoulderline log``: exit status, keys, files, and a README that names every flag."""

from __future__ import annotations

import argparse
import json
import re
from pathlib import Path

import pytest

from app.cli import build_parser, main
from app.files import measurement_text
from app.reference_log import contributions
from app.reference_log.store import Store

README = (Path(__file__).resolve().parents[2] / "app" / "reference_log" / "README.md").read_text(encoding="utf-8")
HEADER = contributions.template().strip()
GOOD = "Ostfeld,Heron,,plain,{},factory,readings,digital caliper,0.01,0.03,0.41;0.43,34,,0.42,0.018,,mm,Mirel,2026-03-01,"


def _sub(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    return next(dict(a.choices) for a in parser._actions if isinstance(a, argparse._SubParsersAction))


@pytest.fixture
def log(tmp_path: Path) -> str:
    return str(tmp_path / "log.sqlite")


def test_import_exit_status(tmp_path: Path, log: str, capsys: pytest.CaptureFixture[str]) -> None:
    rows, away = tmp_path / "rows.csv", tmp_path / "away.csv"
    rows.write_text(f"{HEADER}\n{GOOD.format('a')}\n", encoding="utf-8")
    assert main(["log", "import", str(rows), "--log", log]) == 0
    rows.write_text(f"{HEADER}\n{GOOD.format('b')}\n{GOOD.format('c').replace('digital caliper', '')}\n", encoding="utf-8")
    assert main(["log", "import", str(rows), "--turned-away", str(away), "--log", log]) == 4
    assert "no instrument" in away.read_text(encoding="utf-8")
    assert main(["log", "import", str(tmp_path / "none.csv"), "--log", log]) == 3
    rows.write_text(HEADER, encoding="utf-8")
    assert main(["log", "import", str(rows), "--log", log]) == 3
    capsys.readouterr()
    assert main(["log", "summary", "--maker", "ostfeld", "--model", "heron", "--json", "--log", log]) == 0
    found = json.loads(capsys.readouterr().out)
    assert list(found) == [
        "maker", "model", "edge", "condition", "method", "variants", "contributors", "measurements", "remarked",
        "specimens", "mean_mm", "u_mm", "low_mm", "high_mm", "min_mm", "max_mm", "spread_mm", "next_low_mm", "next_high_mm", "left_out",
    ]  # fmt: skip
    assert found["specimens"] == 2


def test_add_find_and_correct(tmp_path: Path, log: str, measurement, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "measurement.json").write_text(measurement_text(measurement), encoding="utf-8")
    facts = ["--maker", "Ostfeld", "--model", "Heron", "--specimen", "a1", "--condition", "factory", "--contributor", "Mirel", "--log", log]
    assert main(["log", "add", str(tmp_path), *facts]) == 0
    assert "0.472 ± 0.024 mm" in capsys.readouterr().out
    assert main(["log", "add", str(tmp_path), *facts]) == 3
    assert "duplicate" in capsys.readouterr().err
    assert main(["log", "add", str(tmp_path), *facts, "--note", "right maker", "--corrects", "1"]) == 0
    assert main(["log", "find", "--maker", "ost", "--condition", "factory", "--superseded", "--log", log]) == 0
    assert "corrected by 2" in capsys.readouterr().out
    assert main(["log", "add", str(tmp_path / "none"), "--log", log]) == 3


def test_add_takes_the_blade_from_the_job(tmp_path: Path, log: str, measurement, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "measurement.json").write_text(measurement_text(measurement), encoding="utf-8")
    blade = '[blade]\nmaker = "Halden"\nmodel = "Petty"\nspecimen = "A3"\ncondition = "as bought"\n'
    side = '[[sides]]\n[sides.declared]\nincluded_angle_deg = 30.0\n[[sides.photos]]\npath = "edge.jpg"\n'
    (tmp_path / "job.toml").write_text(f"schema = 1\n{blade}{side}", encoding="utf-8")
    assert main(["log", "add", str(tmp_path), "--log", log]) == 0
    said = capsys.readouterr()
    assert "Halden Petty, specimen A3" in said.out
    assert "no condition given" in said.err


def test_demo_and_every_export(tmp_path: Path, log: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["log", "demo", "--log", log]) == 0
    assert "120 taken" in capsys.readouterr().out
    for kind in ("csv", "json", "markdown", "html"):
        assert main(["log", "export", "--format", kind, "--out", str(tmp_path / kind), "--log", log]) == 0
    assert (tmp_path / "html").read_text(encoding="utf-8").count("<tr><td>") == 30
    assert (tmp_path / "markdown").read_text(encoding="utf-8").count("\n| ") == 31
    assert main(["log", "import", str(tmp_path / "csv"), "--log", str(tmp_path / "copy.sqlite")]) == 0
    capsys.readouterr()
    assert main(["log", "summary", "--maker", "Abelund", "--model", "Ansel", "--post", "--log", log]) == 0
    assert "Abelund Ansel: " in capsys.readouterr().out


def test_a_missing_log_is_refused_and_not_made(log: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["log", "find", "--log", log]) == 3
    assert not Path(log).exists()
    assert capsys.readouterr().err.count("\n") == 1


def test_the_demo_lies_apart_and_never_mixes(
    tmp_path: Path, log: str, record, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("app.reference_log.store.platformdirs.user_data_dir", lambda *_, **__: str(tmp_path / "data"))
    assert main(["log", "demo"]) == 0
    assert [p.name for p in (tmp_path / "data").glob("*.sqlite")] == ["demo-log.sqlite"]
    with Store(log, create=True) as store:
        store.add(record())
    assert main(["log", "demo", "--log", log]) == 3
    assert "not the demo's" in capsys.readouterr().err
    with Store(log) as store:
        assert len(list(store.all())) == 1


def test_nothing_is_written_over_the_log_or_the_contributions(tmp_path: Path, log: str, capsys: pytest.CaptureFixture[str]) -> None:
    rows = tmp_path / "rows.csv"
    rows.write_text(f"{HEADER}\n{GOOD.format('a')}\n", encoding="utf-8")
    assert main(["log", "import", str(rows), "--log", log]) == 0
    for out in (log, str(rows)):
        assert main(["log", "import", str(rows), "--turned-away", out, "--log", log]) == 3
        assert "would destroy what is read from it" in capsys.readouterr().err
    assert main(["log", "import", str(rows), "--turned-away", str(tmp_path), "--log", log]) == 3
    assert f"--turned-away {tmp_path}: it is a folder" in capsys.readouterr().err
    for where in (log, f"sqlite:///{log}"):
        assert main(["log", "export", "--format", "csv", "--out", log, "--log", where]) == 3
    assert main(["log", "find", "--log", log]) == 0
    assert "1 found" in capsys.readouterr().out


def test_turned_away_rows_of_an_earlier_import_do_not_stay(tmp_path: Path, log: str) -> None:
    rows, away = tmp_path / "rows.csv", tmp_path / "away.csv"
    command = ["log", "import", str(rows), "--turned-away", str(away), "--log", log]
    rows.write_text(f"{HEADER}\n{GOOD.format('a')}\n", encoding="utf-8")
    assert main(command) == 0
    assert not away.exists()
    assert main(command) == 4
    assert "duplicate" in away.read_text(encoding="utf-8")
    rows.write_text(f"{HEADER}\n{GOOD.format('b')}\n", encoding="utf-8")
    assert main(command) == 0
    assert away.read_text(encoding="utf-8").strip() == f"{HEADER},reason"


@pytest.mark.parametrize("wrong", [["--from-mm", "nan"], ["--to-mm", "-1"], ["--to-mm", "1e9"], ["--limit", "0"]])
def test_what_is_no_length_or_count_is_a_misuse(log: str, wrong: list[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main(["log", "find", *wrong, "--log", log])
    assert ended.value.code == 2


def test_correct_and_history(log: str, record, capsys: pytest.CaptureFixture[str]) -> None:
    with Store(log, create=True) as store:
        store.add(record(model="Hernon"))
    assert main(["log", "correct", "1", "--set", "model=Heron", "--set", "note=name mended", "--log", log]) == 0
    assert "record 2 supersedes record 1" in capsys.readouterr().out
    assert main(["log", "history", "1", "--log", log]) == 0
    said = capsys.readouterr().out
    assert "model: Hernon -> Heron" in said
    assert "note: empty -> name mended" in said
    for change, why in (("model=Heron", "corrected it already"), ("colour=red", "may change maker"), ("condition=mint", "one of factory")):
        assert main(["log", "correct", "1" if "corrected" in why else "2", "--set", change, "--log", log]) == 3
        assert why in capsys.readouterr().err
    assert main(["log", "correct", "2", "--set", "model=Heron", "--log", log]) == 3
    assert main(["log", "history", "77", "--log", log]) == 3


def test_a_results_figures_are_not_corrected_by_hand(tmp_path: Path, log: str, measurement, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "measurement.json").write_text(measurement_text(measurement), encoding="utf-8")
    assert main(["log", "add", str(tmp_path), "--log", log]) == 0
    assert main(["log", "correct", "1", "--set", "thickness=0.30", "--log", log]) == 3
    assert "measured it from the photo" in capsys.readouterr().err
    assert main(["log", "correct", "1", "--set", "maker=Ostfeld", "--set", "condition=factory", "--log", log]) == 0
    with Store(log) as store:
        (kept,) = store.all()
    assert not [c for c in kept.record.cautions if "maker" in c or "condition" in c]
    assert any("questioned" in c for c in kept.record.cautions), "what the photo remarked stays"


@pytest.mark.parametrize("name", sorted(_sub(_sub(build_parser())["log"])))
def test_every_log_flag_is_documented(name: str) -> None:
    heading = re.search(rf"^### `log {name}\b.*$", README, re.MULTILINE)
    assert heading, f"no section for log {name}"
    section = re.split(r"^##", README[heading.end() :], maxsplit=1, flags=re.MULTILINE)[0]
    rows = {flag for line in re.findall(r"^\| (`--.*?) \|", section, re.MULTILINE) for flag in re.findall(r"`(--[a-z-]+)`", line)}
    actions = _sub(_sub(build_parser())["log"])[name]._actions
    assert rows == {o for a in actions for o in a.option_strings if o.startswith("--")} - {"--help"}


@pytest.mark.parametrize("kind", ["csv", "json", "markdown", "html"])
def test_a_list_replaces_an_earlier_list_and_no_foreign_file(tmp_path: Path, log: str, capsys, kind: str) -> None:
    rows, out = tmp_path / "rows.csv", tmp_path / "out"
    rows.write_text(f"{HEADER}\n{GOOD.format('a')}\n", encoding="utf-8")
    assert main(["log", "import", str(rows), "--log", log]) == 0
    command = ["log", "export", "--format", kind, "--out", str(out), "--log", log]
    # What somebody typed into a template is no list of the program's either.
    for held in ("a reviewer's own notes\n", rows.read_text(encoding="utf-8")):
        out.write_text(held, encoding="utf-8")
        capsys.readouterr()
        assert main(command) == 3
        assert f"--out {out}: it is there already and no list as {kind} that this program wrote" in capsys.readouterr().err
        assert out.read_text(encoding="utf-8") == held
    out.write_bytes(b"")
    assert main(command) == 0
    first = out.read_bytes()
    assert main(command) == 0
    assert out.read_bytes() == first


def test_a_list_of_an_empty_log_may_be_replaced(tmp_path: Path, log: str) -> None:
    Store(log, create=True).__enter__().__exit__(None, None, None)
    for kind in ("csv", "json", "markdown", "html"):
        for _ in range(2):
            assert main(["log", "export", "--format", kind, "--out", str(tmp_path / kind), "--log", log]) == 0


@pytest.mark.parametrize("kind", ["csv", "json"])
def test_a_template_replaces_an_empty_one_and_nothing_that_was_typed(tmp_path: Path, capsys, kind: str) -> None:
    out = tmp_path / "rows"
    assert main(["log", "template", "--format", kind, "--out", str(out)]) == 0
    assert main(["log", "template", "--format", kind, "--out", str(out)]) == 0
    typed = out.read_bytes() + f"{GOOD.format('a')}\n".encode()
    out.write_bytes(typed)
    capsys.readouterr()
    assert main(["log", "template", "--format", kind, "--out", str(out)]) == 3
    assert "it is there already and no empty template" in capsys.readouterr().err
    assert out.read_bytes() == typed


@pytest.mark.parametrize("kind", ["csv", "json"])
def test_rows_turned_away_replace_earlier_ones_and_no_foreign_file(tmp_path: Path, log: str, capsys, kind: str) -> None:
    rows, away = tmp_path / "rows.csv", tmp_path / f"away.{kind}"
    bad = f"{HEADER}\n{GOOD.format('c').replace('digital caliper', '')}\n"
    command = ["log", "import", str(rows), "--turned-away", str(away), "--log", log]
    rows.write_text(f"{HEADER}\n{GOOD.format('a')}\n", encoding="utf-8")
    for held in ("my own notes\n", "[1, 2]\n", HEADER + "\n"):
        away.write_text(held, encoding="utf-8")
        capsys.readouterr()
        assert main(command) == 3
        assert f"--turned-away {away}: it is there already and no file of rows turned away" in capsys.readouterr().err
        assert away.read_text(encoding="utf-8") == held
    away.unlink()
    for text, status in ((bad, 4), (bad, 4), (f"{HEADER}\n{GOOD.format('a')}\n", 0), (f"{HEADER}\n{GOOD.format('b')}\n", 0), (bad, 4)):
        rows.write_text(text, encoding="utf-8")
        assert main(command) == status

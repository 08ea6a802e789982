"""The house rules that a machine can check."""

from __future__ import annotations

import argparse
import ast
import re
import subprocess
from pathlib import Path

import pytest

from app.cli import build_parser
from app.files import PROFILE_COLUMNS
from tests.conftest import LONGEST_FIRST
from vision import checks, flags

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PACKAGES = ("vision", "app", "calibration_targets", "demo_images")
UI_OR_PLOT = {"app", "streamlit", "matplotlib", "plotly", "altair", "rich", "reportlab", "demo_images"}
MODULES = sorted(p for name in PACKAGES for p in (ROOT / name).rglob("*.py"))


def committed() -> list[Path]:
    """Files under version control, or all outside hidden and build folders where there is no repository (an unpacked archive)."""
    listing = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listing.returncode == 0 and listing.stdout:
        return [ROOT / name for name in listing.stdout.split("\0") if name and (ROOT / name).is_file()]
    return [p for p in ROOT.rglob("*") if p.is_file() and not any(part.startswith(".") for part in p.relative_to(ROOT).parts)]


def imports(path: Path) -> set[str]:
    """Top-level names of every package that a module imports, wherever in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.split(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found.add(node.module.split(".")[0])
    return found


def commands() -> dict[str, argparse.ArgumentParser]:
    for action in build_parser()._actions:
        if isinstance(action, argparse._SubParsersAction):
            return dict(action.choices)
    raise AssertionError("the command has no sub-commands")


@pytest.mark.parametrize("path", sorted((ROOT / "vision").rglob("*.py")), ids=lambda p: p.name)
def test_core_imports_no_screen_and_no_plot(path: Path) -> None:
    assert not imports(path) & UI_OR_PLOT


def test_import_walk_sees_nested_imports(tmp_path: Path) -> None:
    module = tmp_path / "m.py"
    module.write_text("def f():\n    from streamlit.web import cli\n    import matplotlib.pyplot as p\n")
    assert imports(module) == {"streamlit", "matplotlib"}


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_modules_stay_below_500_lines(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) < 500


def test_streamlit_cannot_shadow_a_package() -> None:
    # `streamlit run` puts app/ on the path.
    assert not (ROOT / "app" / "app.py").exists()
    assert not (ROOT / "app" / "vision.py").exists()
    assert not (ROOT / "app" / "pages").exists()


def test_no_committed_file_is_over_4_mb() -> None:
    assert not [str(p) for p in committed() if p.stat().st_size > 4_000_000]


def test_no_registry_host_and_no_machine_path_is_committed() -> None:
    # Put together here, so that this file does not hold them itself.
    unwanted = [
        "pypi" + ".org",
        "files.python" + "hosted",
        "registry." + "npmjs",
        "proxy." + "golang",
        "--index" + "-url",
        "/work" + "/",
        "/root" + "/",
    ]
    texts = [p for p in committed() if p.suffix in {".py", ".md", ".toml", ".yaml", ".yml", ".json", ".cfg", ".txt", ".csv", ""}]
    assert not [(p.name, word) for p in texts for word in unwanted if word in p.read_text(encoding="utf-8", errors="replace")]


def test_only_practice_tests_read_the_shared_folder() -> None:
    shared = "sha" + "red/"  # in two parts: this file is searched too
    outside = [p for p in committed() if p.suffix == ".py" and "practice" not in p.parts]
    assert not [
        str(p) for p in outside if f"../{shared}" in p.read_text(encoding="utf-8") or f'"{shared[:-1]}"' in p.read_text(encoding="utf-8")
    ]


def test_each_file_that_goes_first_is_there_once() -> None:
    names = [path.name for path in (ROOT / "tests").rglob("test_*.py")]
    assert [names.count(name) for name in LONGEST_FIRST] == [1] * len(LONGEST_FIRST)


def test_station_flag_names_are_frozen() -> None:
    # Stored results use these names and bits: add at the end, never rename.
    assert [(f.value, flags.names(f)[0]) for f in flags.StationFlag] == [
        (1, "frame-end"), (2, "chip"), (4, "clipped"), (8, "soft"), (16, "rival-line"), (32, "low-contrast"), (64, "narrow"),
        (128, "bridged"), (256, "by-hand"), (512, "not-measured"), (1024, "shadow"), (2048, "unsure"),
    ]  # fmt: skip


def test_every_flag_of_a_station_is_documented_as_the_registry_says() -> None:
    assert set(flags.STATION_FLAGS) == set(flags.StationFlag)
    for flag, words in flags.STATION_FLAGS.items():
        assert f"| `{flags.names(flag)[0]}` | {words.meaning} | {words.remedy} |" in README


@pytest.mark.parametrize("name", sorted(commands()))
def test_every_command_and_flag_is_documented(name: str) -> None:
    heading = re.search(rf"^### `shoulderline {name}\b.*$", README, re.MULTILINE)
    assert heading, f"README.md has no section for {name}"
    section = re.split(r"^##", README[heading.end() :], maxsplit=1, flags=re.MULTILINE)[0]
    rows = set(re.findall(r"^\| `(--[a-z-]+)", section, re.MULTILINE))
    given = {option for action in commands()[name]._actions for option in action.option_strings if option.startswith("--")} - {"--help"}
    assert rows == given


def test_every_profile_column_is_documented() -> None:
    table = README[README.index("## Files of a result") :]
    assert not [c for c in PROFILE_COLUMNS if f"`{c}`" not in table]


def test_readme_commands_are_one_line_each_and_ci_runs_the_second() -> None:
    found = [block.strip() for block in re.findall(r"```sh\n(.*?)```", README[: README.index("## Measure your own")], re.DOTALL)]
    assert found == [
        "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/shoulderline demo",
        'python3 -m venv .venv && .venv/bin/pip install -e ".[test]" && .venv/bin/python -m pytest',
    ]
    lines = [line.removesuffix(" || status=1") for line in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()]
    assert found[1] in lines


def test_readme_links_and_pictures_exist() -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (ROOT / target).exists(), target


@pytest.mark.parametrize("folder", ["vision", "app", "app/reference_log", "calibration_targets", "demo_images"])
def test_a_folders_readme_names_each_of_its_modules_and_no_other(folder: str) -> None:
    named = set(re.findall(r"`([a-z_]+\.py)`", (ROOT / folder / "README.md").read_text(encoding="utf-8")))
    modules = {p.name for p in (ROOT / folder).glob("*.py")} - {"__init__.py"}
    # The names that no file may have are named too (`streamlit run` puts app/ on the path).
    assert named - ({"app.py", "vision.py"} if folder == "app" else set()) == modules


def test_commit_hooks_are_local() -> None:
    config = (ROOT / ".pre-commit-config.yaml").read_text(encoding="utf-8")
    assert re.findall(r"repo:\s*(\S+)", config) == ["local"]


def test_every_photo_check_is_documented_as_the_registry_says() -> None:
    section = README[README.index("## Photo checks") : README.index("## More")]

    def limit(check: checks.Check, value: float | None) -> str:
        return "never" if value is None else f"{check.bad} {value:g}"

    assert re.findall(r"^\| `.*$", section, re.MULTILINE) == [
        f"| `{c.name}` | {c.what} | {c.unit} | {limit(c, c.caution)} | {limit(c, c.refuse)} | {c.why} | {c.remedy} |" for c in checks.CHECKS
    ]


def test_photo_check_names_are_frozen() -> None:
    # Stored results use these names: add, never rename.
    assert [c.name for c in checks.CHECKS] == [
        "strip-tilted", "strip-bent", "strip-far", "strip-low", "edge-in-frame", "edge-jumps", "bevel-px", "edge-blur", "edge-measured",
        "edge-bridged", "faces-alike", "shoulder-soft", "shoulder-slope", "apex-soft", "apex-faint", "lane-beyond", "no-metal",
        "bevel-dark", "ruled-marks", "clipped", "lane-burnt",
    ]  # fmt: skip

"""``shoulderline compare``: results against the first of them."""

from __future__ import annotations

import argparse
from pathlib import Path

from app import comparing
from app.plan_commands import read_result, result_file
from vision.compare import Align, Common, Terms
from vision.compare import compare as compare_two
from vision.errors import DeclarationError
from vision.results import Measurement
from vision.rounding import COVERAGE
from vision.sources import PLACEMENT_MM


def compare(options: argparse.Namespace) -> None:
    """Print each result's difference from the first; the table station by station goes to ``--out``."""
    from app import outputs

    terms = Terms(
        Align(options.align), PLACEMENT_MM if options.alignment is None else options.alignment, frozenset(Common(c) for c in options.same)
    )
    if options.out:
        read = [result_file(Path(folder)) for folder in options.results]
        outputs.check_file(options.out, comparing.HEADER.encode(), "table of 'shoulderline compare'", read)
    first, *others = [(folder, read_result(Path(folder))) for folder in options.results]
    compared = [(name, compare_two(first[1], m, terms)) for name, m in others]
    if options.out and not comparing.placed(compared):
        raise DeclarationError(
            f"--out {options.out}",
            "without the strip no places are common, so there is no table",
            "leave --out away to see the main stretches",
        )
    if options.out:
        outputs.write_file(options.out, comparing.csv_text(compared).encode())
    print(f"{first[0]}: {_figure(first[1])}")
    for (name, m), (_, c) in zip(others, compared, strict=True):
        print("\n".join(["", f"{name}: {_figure(m)}", f"{name} minus {first[0]}:", *(f"  {s}" for s in comparing.sentences(c))]))
    print(
        "\n".join(["", f"({COVERAGE})", *(f"note: {s}." for s in dict.fromkeys(s for _, c in compared for s in comparing.assumptions(c)))])
    )
    if options.out:
        print(f"\nPlace by place in {options.out}")


def _figure(m: Measurement) -> str:
    return f"main stretch {comparing.figure_of(m)}"

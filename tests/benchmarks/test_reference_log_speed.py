"""The reference log with 100,000 measurements: search, filter, summary; import in time and memory.

Issue E asks for an import within a minute and answers within 150 ms. A slow machine (2026-11-27) that takes 1.2 s for the floor,
Python reading the file and writing its rows to a table, held these bounds; they are kept as multiples of it.
"""

from __future__ import annotations

import csv
import random
import sqlite3
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest

from app.reference_log import columns, search
from app.reference_log.contributions import csv_text
from app.reference_log.store import Store
from app.reference_log.summary import all_summaries, model_summary

pytestmark = [pytest.mark.benchmark, pytest.mark.processor]
ROWS, MAKERS, MODELS = 100_000, 40, 10
SLOW_FLOOR_S = 1.2


def _rows(seed: int = 5) -> list[dict[str, str]]:
    random_ = random.Random(seed)
    found = []
    for i in range(ROWS):
        maker, model = i % MAKERS, (i // MAKERS) % MODELS
        readings = [0.3 + 0.01 * maker + random_.gauss(0, 0.02) for _ in range(5)]
        found.append(
            {"maker": f"Maker {maker}", "model": f"Model {model}", "variant": "", "edge": "plain", "specimen": f"s{i // 2}",
             "condition": random_.choice(("factory", "factory", "resharpened")), "method": "readings", "instrument": "digital caliper",
             "instrument_step": "0.01", "instrument_accuracy": "0.03", "readings": ";".join(f"{r:.2f}" for r in readings),
             "thickness": f"{sum(readings) / 5:.3f}", "unit": "mm", "contributor": f"person {i % 97}", "date": "2026-03-01",
             "note": f"row {i}"}
        )  # fmt: skip
    return found


@pytest.fixture(scope="module")
def imported(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, float, float, str]:
    """The log, the processor seconds and the peak MB its import took, and what the import said. A process of its own, for its memory."""
    folder = tmp_path_factory.mktemp("log")
    (folder / "rows.csv").write_text(csv_text(columns.TEMPLATE, _rows()), encoding="utf-8", newline="")
    code = (
        "import re; from pathlib import Path; from app.cli import main\n"
        "main(['log', 'import', 'rows.csv', '--log', 'log.sqlite', '--turned-away', 'away.csv'])\n"
        # Not getrusage: its peak is inherited from the process that started this one. VmHWM is this program's own.
        "print(re.search(r'VmHWM:\\s+(\\d+)', Path('/proc/self/status').read_text())[1])\n"
        # Processor seconds: a machine that others use at the same time makes no difference to them.
        "import time; print(time.process_time())"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=folder)
    *said, peak, seconds = done.stdout.splitlines()
    # In units of 1024 bytes.
    return folder / "log.sqlite", float(seconds), int(peak) * 1024 / 1e6, "\n".join(said)


@pytest.fixture(scope="module")
def slower(imported: tuple[Path, float, float, str]) -> float:
    """The floor here over that of the slow machine: the least processor time of three. Rows by name and figures as decimals, as an import
    has them, so that most of it is the interpreter's time as well."""
    folder, spent = imported[0].parent, []
    for i in range(3):
        start = time.process_time()
        with (folder / "rows.csv").open(encoding="utf-8", newline="") as file:
            rows = [tuple((row | {"thickness": f"{Decimal(row['thickness']):f}"}).values()) for row in csv.DictReader(file)]
        with sqlite3.connect(folder / f"floor-{i}.sqlite") as connection:
            connection.execute(f"CREATE TABLE floor ({', '.join(f'c{k}' for k in range(len(rows[0])))})")
            connection.executemany(f"INSERT INTO floor VALUES ({', '.join('?' * len(rows[0]))})", rows)
        spent.append(time.process_time() - start)
        connection.close()
    print(f"floor {min(spent):.2f} s")
    return min(spent) / SLOW_FLOOR_S


def _median_ms(work: Callable[[], object], times: int = 9) -> float:
    # SQLite works within this process, so its processor time is all there is.
    spent = []
    for _ in range(times):
        start = time.process_time()
        work()
        spent.append(1000 * (time.process_time() - start))
    return statistics.median(spent)


def test_import_of_100_000_rows(imported: tuple[Path, float, float, str], slower: float) -> None:
    path, seconds, peak_mb, said = imported
    print(f"import {seconds:.1f} s, peak {peak_mb:.0f} MB: {said}")
    with Store(path) as store:
        total, _ = search.find(store, search.Filter(), limit=1)
    assert total > 0.99 * ROWS
    assert seconds <= 60 * slower
    assert peak_mb <= 500


@pytest.mark.parametrize("name", ["search", "filter", "summary", "models"])
def test_answers_within_150_ms(imported: tuple[Path, float, float, str], slower: float, name: str) -> None:
    with Store(imported[0]) as store:
        work = {
            "search": lambda: search.find(store, search.Filter(text="maker 17")),
            "filter": lambda: search.find(store, search.Filter(maker="maker 7", condition="factory", low_mm=0.35, high_mm=0.45)),
            "summary": lambda: model_summary(store, "Maker 17", "Model 3"),
            "models": lambda: search.models(store, search.Filter(text="maker 17")),
        }[name]
        spent = _median_ms(work)
    print(f"{name}: {spent:.0f} ms")
    assert spent <= 150 * slower


def test_the_screens_list_of_every_model_comes_within_seconds(imported: tuple[Path, float, float, str], slower: float) -> None:
    with Store(imported[0]) as store:
        start = time.process_time()
        found = all_summaries(store, compared=False)
        seconds = time.process_time() - start
    print(f"{len(found)} summaries: {seconds:.1f} s")
    assert len(found) == MAKERS * MODELS
    # Kept until the next record comes in, so a reader waits for it once.
    assert seconds <= 15 * slower

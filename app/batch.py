"""``shoulderline measure --each``: many results at once, by several processes; what is refused does not stop the others.

Processes, not threads, since a library that dies over a damaged file must take no other photo with it; started afresh ("spawn"),
since a forked copy of OpenCV's threads may wait for ever. Each has one thread: as many processes as processors keep those busy.
"""

from __future__ import annotations

import contextlib
import csv
import io
import math
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from app import outputs
from app.headline import headline, seen_share
from app.make import make_result
from app.refusal import sentence
from vision import job
from vision.errors import DeclarationError
from vision.results import Figure, Measurement
from vision.threads import stay_on_one_thread

TABLE = "summary.csv"
COLUMNS = (
    "result", "photos", "state", "stations", "stations_measured", "from_mm", "to_mm", "main_thickness_mm", "main_thickness_u_mm",
    "whole_thickness_mm", "whole_thickness_u_mm", "cautions", "refused",
)  # fmt: skip
Report = Callable[[str, float], None]


@dataclass(frozen=True)
class Task:
    """One result to make: its name, its folder, and the job (its paths relative to `folder`) or the job file."""

    name: str
    out: Path
    job: job.Job | Path
    folder: Path = Path()


@dataclass(frozen=True)
class Outcome:
    """What became of a task: a line for the terminal, its row of the table; `refusal` is "" where it was measured."""

    name: str
    line: str
    row: dict[str, str] = field(default_factory=dict)
    refusal: str = ""


def tasks_of_photos(whole: job.Job, out: Path) -> list[Task]:
    """Each photo of a job of one side as a task of its own, with the same facts."""
    (side,) = whole.sides
    each = [(Path(p.path), replace(whole, sides=(replace(side, photos=(p,)),))) for p in side.photos]
    return _named([(path.stem, str(path), todo, Path()) for path, todo in each], out)


def tasks_of_jobs(paths: Sequence[Path], out: Path) -> list[Task]:
    """Each job file as a task; those named ``job.toml``, as results leave behind, go by their folder's name."""
    return _named([(p.resolve().parent.name if p.stem == "job" else p.stem, str(p), p, p.parent) for p in paths], out)


def _named(items: Sequence[tuple[str, str, job.Job | Path, Path]], out: Path) -> list[Task]:
    outputs.check_place(out)
    taken = {TABLE: f"the table {TABLE}"}
    tasks = []
    for name, source, todo, folder in items:
        # Some file systems do not tell capitals from small letters.
        if name.casefold() in taken:
            why = f"its result would go to the same folder {name} as that of {taken[name.casefold()]}"
            raise DeclarationError(source, why, "rename one of them, or measure them in two goes")
        taken[name.casefold()] = source
        tasks.append(Task(name, out / name, todo, folder))
    _check_table(out / TABLE)
    return tasks


def _check_table(path: Path) -> None:
    """Refuse to write over a file of that name that is no earlier table."""
    if path.exists() and not path.read_text(encoding="utf-8", errors="replace").startswith(",".join(COLUMNS)):
        raise DeclarationError(str(path), "it is no table of an earlier run", "move that file away or name another folder")


def processors() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def run(tasks: Sequence[Task], processes: int, report: Report | None = None) -> tuple[list[Outcome], bool]:
    """Do every task; the outcomes in the tasks' order, and whether the keyboard stopped it before all were done.

    A task during which its process dies is tried once more and then counts as refused.
    """
    done: dict[str, Outcome] = {}

    def tell(outcome: Outcome) -> None:
        done[outcome.name] = outcome
        if report:
            report(f"{len(done)} of {len(tasks)} done", len(done) / len(tasks))

    stopped = False
    try:
        if min(processes, len(tasks)) == 1:
            with _keyboard_kept() as asked:
                for task in tasks:
                    tell(measure_one(task))
                    if asked and len(done) < len(tasks):
                        raise KeyboardInterrupt
        else:
            left = _in_pool(tasks, min(processes, len(tasks)), tell)
            # A death takes all unfinished tasks with it; one after the other, the first one left is the cause.
            while left := _in_pool(left, 1, tell) if left else []:
                dead = left.pop(0)
                tell(_refused(dead, f"{dead.name}: the program died while measuring it; check the photo and the free memory."))
    except KeyboardInterrupt:
        stopped = True
    return [done[t.name] for t in tasks if t.name in done], stopped


def _in_pool(tasks: Sequence[Task], processes: int, tell: Callable[[Outcome], None]) -> list[Task]:
    """Do tasks in processes of their own; those that were left when a process died."""
    lost = []
    with ProcessPoolExecutor(processes, multiprocessing.get_context("spawn"), initializer=_prepare) as pool:
        with _deaf_to_the_keyboard():
            futures = {pool.submit(measure_one, task): task for task in tasks}
        try:
            for future in as_completed(futures):
                if isinstance(future.exception(), BrokenProcessPool):
                    lost.append(futures[future])
                else:
                    tell(future.result())
        except KeyboardInterrupt:
            # What is being measured is finished, what waits is not begun.
            pool.shutdown(wait=True, cancel_futures=True)
            for future in filter(_succeeded, futures):
                tell(future.result())
            raise
    return sorted(lost, key=tasks.index)


def _succeeded(future: Future[Outcome]) -> bool:
    return future.done() and not future.cancelled() and future.exception() is None


def _prepare() -> None:
    """A new process: one thread, and Ctrl-C is for the first process alone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    stay_on_one_thread()


@contextlib.contextmanager
def _deaf_to_the_keyboard() -> Iterator[None]:
    """Processes started within it ignore Ctrl-C from their first instruction on."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextlib.contextmanager
def _keyboard_kept() -> Iterator[list[int]]:
    """Within it the first Ctrl-C is only put down in the list; what is being measured is finished. A second one interrupts at once."""
    asked: list[int] = []
    if threading.current_thread() is not threading.main_thread():
        yield asked
        return

    def heard(number: int, _frame: object) -> None:
        if asked:
            raise KeyboardInterrupt
        asked.append(number)

    before = signal.signal(signal.SIGINT, heard)
    try:
        yield asked
    finally:
        signal.signal(signal.SIGINT, before)


def measure_one(task: Task) -> Outcome:
    """Measure one task and write its folder; whatever goes wrong becomes the outcome."""
    try:
        result, _ = make_result(task.job, task.folder, task.out)
    except Exception as error:
        return _refused(
            task, sentence(error) or f"{task.name}: an error in the program, {type(error).__name__}: {error}; please report it."
        )
    return Outcome(task.name, _line(task.name, result), _row(task.name, result))


def _refused(task: Task, refusal: str) -> Outcome:
    photos = [] if isinstance(task.job, Path) else [Path(p.path).name for s in task.job.sides for p in s.photos]
    # Among many, a sentence about "the printed strip" has to say whose.
    if not any(name in refusal for name in (task.name, *photos)):
        refusal = f"{task.name}: {refusal}"
    row = dict.fromkeys(COLUMNS, "") | {"result": task.name, "photos": "; ".join(photos), "state": "refused", "refused": refusal}
    return Outcome(task.name, f"{task.name}: refused", row, refusal)


def _line(name: str, result: Measurement) -> str:
    seen, stations = seen_share(result)
    figures = headline(result)
    what = f"{figures[0].label} {figures[0].text}" if figures else "no headline figure could be had"
    cautions = _cautions(result)
    return f"{name}: {what}; {seen} of {stations} stations" + (f"; cautions: {', '.join(cautions)}" if cautions else "")


def _cautions(result: Measurement) -> list[str]:
    return sorted({n.code for n in result.notes if n.severity == "caution"})


def _row(name: str, result: Measurement) -> dict[str, str]:
    seen, stations = seen_share(result)
    at, zones = result.widths.position_mm[np.isfinite(result.thickness.thickness_mm)], result.zones
    main, whole = (zones.main.mean, zones.whole) if zones else (Figure(math.nan, math.nan),) * 2
    numbers = (at.min(), at.max()) if at.size else (math.nan, math.nan)
    figures = [*numbers, main.value_mm, main.u_mm, whole.value_mm, whole.u_mm]
    cells = [f"{v:.5f}" if math.isfinite(v) else "" for v in map(float, figures)]
    photos = "; ".join(p.name for p in result.photos)
    return dict(zip(COLUMNS, (name, photos, "measured", str(stations), str(seen), *cells, " ".join(_cautions(result)), ""), strict=True))


def write_table(out: Path, outcomes: Sequence[Outcome]) -> None:
    """``summary.csv``: one row a result."""
    text = io.StringIO()
    writer = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    writer.writeheader()
    writer.writerows(o.row for o in outcomes)
    outputs.write_file(out / TABLE, text.getvalue().encode())

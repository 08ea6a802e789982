"""Progress on a terminal; silence in a pipe."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Report = Callable[[str, float], None]


@contextmanager
def progress() -> Iterator[Report | None]:
    """A callback ``report(stage, share)`` that draws a bar on stderr, or None when stderr is no terminal.

    The bar vanishes at the end, so that nothing but results and refusals stays on the screen.
    """
    if not sys.stderr.isatty():
        yield None
        return
    # Imported here: rich costs start-up time that a pipe need not pay.
    from rich.console import Console
    from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

    columns = (SpinnerColumn(), TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("start", total=1.0)
        yield lambda stage, share: bar.update(task, description=stage, completed=share)

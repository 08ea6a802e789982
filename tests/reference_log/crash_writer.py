"""Writers that are killed: forks a child that adds records to a log and kills it, many times; prints what was confirmed, as JSON.

A process of its own with one thread, since a fork of a process with threads may hang. Usage: crash_writer.py LOG KILLS SEED
"""

from __future__ import annotations

import datetime
import json
import os
import random
import signal
import sys
import time
from decimal import Decimal

from app.reference_log.records import Condition, Record, Source
from app.reference_log.store import Store


def _write(where: str, name: str, pipe: int) -> None:
    with Store(where, create=True) as store:
        for i in range(10_000):
            record = Record(
                maker="Ostfeld", model="Heron", specimen=f"{name}-{i}", condition=Condition.FACTORY, source=Source.READINGS,
                instrument="digital caliper", instrument_accuracy=Decimal("0.03"), thickness=Decimal("0.42"), contributor="Mirel",
                date=datetime.date(2026, 3, 1), photos=(f"{name}-{i}",),
            )  # fmt: skip
            number = store.add(record)
            os.write(pipe, f"{number} {record.specimen}\n".encode())


def main() -> None:
    where, kills, seed = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    random_ = random.Random(seed)
    confirmed: list[tuple[int, str]] = []
    for k in range(kills):
        out, into = os.pipe()
        child = os.fork()
        if child == 0:
            os.close(out)
            _write(where, f"k{k}", into)
            os._exit(0)
        os.close(into)
        with os.fdopen(out) as lines:
            # Every other writer is killed anywhere from its start on, the rest among their writes, however slow the machine is.
            first = lines.readline() if k % 2 else ""
            time.sleep(random_.uniform(0.0, 0.05))
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            confirmed += [(int(n), name) for line in (first, *lines) if line.endswith("\n") for n, name in [line.split()]]
    print(json.dumps(confirmed))


if __name__ == "__main__":
    main()

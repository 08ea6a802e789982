"""Crashes and many users at once: nothing confirmed is lost, nothing is doubled, nobody is told "locked"."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from app.reference_log import search
from app.reference_log.store import Store
from app.reference_log.summary import model_summary

# .ci/run asks for the whole minute.
SECONDS = float(os.environ.get("SHOULDERLINE_LONG_SECONDS", "2"))


def test_a_hundred_kills_lose_nothing_confirmed(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    command = [sys.executable, str(Path(__file__).with_name("crash_writer.py")), str(path), "100", "11"]
    done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=300)
    confirmed = dict(json.loads(done.stdout))
    assert len(confirmed) >= 50, "every other writer had confirmed one at least"
    with Store(path) as store:
        assert store.check() == []
        kept = {s.id: s.record.specimen for s in store.all()}
        assert {n: kept.get(n) for n in confirmed} == confirmed
        assert len(set(kept.values())) == len(kept)
        with store.reading() as connection:
            photos = connection.exec_driver_sql("SELECT count(*) FROM photo").scalar()
        assert photos == len(kept), "a record and its photo come together or not at all"


def test_two_writers_and_five_readers(everywhere: list[str], record) -> None:
    """On every kind of log in the same minute."""
    with ThreadPoolExecutor(len(everywhere)) as pool:
        list(pool.map(lambda where: _two_writers_and_five_readers(where, record), everywhere))


def _two_writers_and_five_readers(where: str, record) -> None:
    Store(where, create=True).close()
    end = time.monotonic() + SECONDS
    written: list[list[int]] = [[], []]
    failures: list[BaseException] = []
    reads = [0] * 5

    def write(me: int) -> None:
        try:
            with Store(where, create=True) as store:
                i = 0
                while time.monotonic() < end:
                    written[me].append(store.add(record(specimen=f"w{me}-{i}", photos=(f"{me}-{i}",))))
                    i += 1
        except BaseException as error:
            failures.append(error)

    def read(me: int) -> None:
        try:
            with Store(where) as store:
                seen = 0
                while time.monotonic() < end:
                    total, _ = search.find(store, search.Filter(maker="ostfeld"), limit=5)
                    assert total >= seen, "a record that was there has gone"
                    seen = total
                    if total and reads[me] % 10 == 0:
                        model_summary(store, "Ostfeld", "Heron")
                    reads[me] += 1
                    # Readers wait for people; seven busy loops would only test the scheduler of two cores.
                    time.sleep(0.02)
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=write, args=(k,)) for k in range(2)] + [threading.Thread(target=read, args=(k,)) for k in range(5)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []
    assert all(written)
    assert all(reads)
    with Store(where) as store:
        kept = [s.id for s in store.all()]
    assert sorted(written[0] + written[1]) == kept
    assert len(set(kept)) == len(kept)


@pytest.mark.parametrize("times", [8])
def test_many_start_one_log_at_once(where: str, times: int) -> None:
    failures: list[BaseException] = []

    def start() -> None:
        try:
            Store(where, create=True).close()
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=start) for _ in range(times)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failures == []

"""How one photo uses the machine's processors.

As many threads as OpenCV may use (`cv2.setNumThreads`), each on columns of its own: numpy lets them run side by side, and the same
columns give the same figures whichever thread takes them. BLAS gets one: its threads wait in a busy loop, which for matrices of a
few hundred rows costs more than they give, and its sums would depend on how many they are.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import contextmanager
from functools import cache
from typing import Any, TypeVar

import cv2
from threadpoolctl import ThreadpoolController

_lock = threading.Lock()
_Item, _Result = TypeVar("_Item"), TypeVar("_Result")


def in_parallel(work: Callable[[_Item], _Result], items: Sequence[_Item]) -> list[_Result]:
    """``[work(i) for i in items]``, several at a time. `work` must not call this again: the threads are shared."""
    threads = cv2.getNumThreads()
    if threads < 2 or len(items) < 2:
        return [work(item) for item in items]
    return list(_pool(threads).map(work, items))


def side_by_side(*works: Callable[[], Any]) -> list[Any]:
    """``[work() for work in works]``, at the same time where threads are free. Works may themselves call `in_parallel` or this.

    The first runs on the thread that asks, and so does each other one that no thread has begun by then: no work ever waits for a
    thread that waits for it, however many photos are measured at once.
    """
    threads = cv2.getNumThreads()
    if threads < 2:
        return [work() for work in works]
    begun = [_side_pool(threads).submit(work) for work in works[1:]]
    try:
        return [works[0](), *(work() if other.cancel() else other.result() for work, other in zip(works[1:], begun, strict=True))]
    finally:
        # After an error: nothing of this goes on behind the back of whoever asked.
        wait([other for other in begun if not other.cancel()])


def slices(count: int, size: int) -> list[slice]:
    """``0:count`` in runs of `size`, the last one shorter."""
    return [slice(start, min(start + size, count)) for start in range(0, count, size)]


@contextmanager
def one_blas_thread() -> Iterator[None]:
    """Within it, and from its first use on, numpy's and scipy's linear algebra stays on the thread that asks.

    It is not taken back at the end: OpenBLAS (0.3.31) ignores a limit that one thread sets after another has restored one, and sums
    over two threads differ in the last digits from sums over one, so that a result would depend on who asked for it.
    """
    with _lock:
        _limited()
    yield


def stay_on_one_thread() -> None:
    """From here on this process does everything on one thread: for one process among as many as there are processors."""
    cv2.setNumThreads(1)
    _limited()


@cache
def _pool(threads: int) -> ThreadPoolExecutor:
    return ThreadPoolExecutor(threads, thread_name_prefix="columns")


@cache
def _side_pool(threads: int) -> ThreadPoolExecutor:
    return ThreadPoolExecutor(threads, thread_name_prefix="side")


@cache
def _limited() -> object:
    return ThreadpoolController().limit(limits=1, user_api="blas")

"""How one photo uses the machine's processors.

As many threads as OpenCV may use (`cv2.setNumThreads`), each on columns or a stage of its own: numpy lets them run side by side, and the
same columns give the same figures whichever thread takes them. BLAS gets one: its threads wait in a busy loop, which for matrices of a
few hundred rows costs more than they give, and its sums would depend on how many they are.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import contextmanager
from functools import cache
from itertools import count
from typing import Any, TypeVar

import cv2
from threadpoolctl import ThreadpoolController

_lock = threading.Lock()
_Item, _Result = TypeVar("_Item"), TypeVar("_Result")


def in_parallel(work: Callable[[_Item], _Result], items: Sequence[_Item]) -> list[_Result]:
    """``[work(i) for i in items]``, several at a time where threads are free; `work` may call this again.

    Whoever asks works too, and takes over what no other thread has begun: nobody waits for a thread that waits in turn, however many
    photos are measured at once, and no more threads work than there are processors for one photo.
    """
    threads = min(cv2.getNumThreads(), len(items))
    if threads < 2:
        return [work(item) for item in items]
    results: dict[int, _Result] = {}
    errors: dict[int, BaseException] = {}
    order = count()

    def some() -> None:
        # `next` of a counter is one step of the interpreter: no two threads get the same number.
        while not errors and (i := next(order)) < len(items):
            try:
                results[i] = work(items[i])
            except BaseException as error:  # raised below, by whoever asked
                errors[i] = error

    helpers = [_pool(cv2.getNumThreads()).submit(some) for _ in range(threads - 1)]
    some()
    wait([helper for helper in helpers if not helper.cancel()])
    if errors:
        raise errors[min(errors)]
    return [results[i] for i in range(len(items))]


def side_by_side(*works: Callable[[], Any]) -> list[Any]:
    """``[work() for work in works]``, at the same time where threads are free: `in_parallel` of unlike works."""
    return in_parallel(lambda work: work(), works)


def slices(length: int, size: int) -> list[slice]:
    """``0:length`` in runs of `size`, the last one shorter."""
    return [slice(start, min(start + size, length)) for start in range(0, length, size)]


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
    # One fewer: whoever asks works too.
    return ThreadPoolExecutor(threads - 1, thread_name_prefix="columns")


@cache
def _limited() -> object:
    return ThreadpoolController().limit(limits=1, user_api="blas")

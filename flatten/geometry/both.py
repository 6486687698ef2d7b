"""Two jobs at once: a second thread beside the calling one."""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

_pools: dict[int, ThreadPoolExecutor] = {}


def in_two(first: Callable[[], object], second: Callable[[], object]) -> None:
    """Runs two independent compiled jobs at once; each must release the interpreter lock."""
    pid = os.getpid()  # a forked worker has none of its parent's threads
    if pid not in _pools:
        _pools[pid] = ThreadPoolExecutor(max_workers=1, thread_name_prefix="flatten")
    other = _pools[pid].submit(first)
    second()
    other.result()

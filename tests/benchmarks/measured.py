"""What work costs in a process of its own: time, processor time, peak memory."""

from __future__ import annotations

import multiprocessing
import resource
import time
from collections.abc import Callable
from typing import Any


def _measured(work: Callable[..., Any], arguments: tuple[Any, ...], answer: Any) -> None:
    start = time.perf_counter(), time.process_time()
    work(*arguments)
    seconds, processor = time.perf_counter() - start[0], time.process_time() - start[1]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    answer.put({"seconds": seconds, "processor_seconds": processor, "peak_gib": peak})


def measured(work: Callable[..., Any], *arguments: Any) -> dict[str, float]:
    """Seconds, processor seconds and peak memory [GiB] of work, the process itself and its modules included in the last."""
    context = multiprocessing.get_context("spawn")
    answer = context.Queue()
    process = context.Process(target=_measured, args=(work, arguments, answer))
    process.start()
    result = answer.get(timeout=1200)
    process.join()
    return result

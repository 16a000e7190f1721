"""Do many jobs on several cores, results in the jobs' order."""

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")


def each(work: Callable[[Job], Result], jobs: Sequence[Job], processes: int) -> Iterator[Result]:
    """Yield work(job) of every job; `work` is a module's own function. 1 works in this process."""
    if processes <= 1:
        yield from map(work, jobs)
        return
    # Fresh processes: a fork of one that already runs threads can stall.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(processes, mp_context=context) as workers:
        yield from workers.map(work, jobs)

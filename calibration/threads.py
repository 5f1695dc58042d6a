"""One thread for linear algebra.

The systems solved here have some tens of unknowns, thousands of them. Shared out over threads each takes longer than
alone, and many times longer when the machine has other work (measured: the curves of one photo took 28 s of processor
time instead of 14 s, and 12 ms instead of 0.1 ms for a solution). What is large is done by OpenCV, which has threads
of its own.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec, TypeVar

from threadpoolctl import threadpool_limits

P = ParamSpec("P")
R = TypeVar("R")


def one_thread(function: Callable[P, R]) -> Callable[P, R]:
    """Return the function with its linear algebra in one thread."""

    @wraps(function)
    def alone(*args: P.args, **kwargs: P.kwargs) -> R:
        with threadpool_limits(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return alone

"""One thread for the linear algebra of small matrices.

A fit works on matrices of a few hundred rows: threads then wait for each other many times
longer than they work, and in a notebook nobody has set their number. Only that belongs here.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache, wraps
from typing import Any, ParamSpec, TypeVar

P = ParamSpec("P")
T = TypeVar("T")


@cache
def _controller() -> Any:
    import scipy.linalg  # noqa: F401  # its library has to be loaded to be found
    from threadpoolctl import ThreadpoolController

    return ThreadpoolController()


def one_thread(function: Callable[P, T]) -> Callable[P, T]:
    """Return the function made to run with one thread of linear algebra, however many are set."""

    @wraps(function)
    def limited(*args: P.args, **kwargs: P.kwargs) -> T:
        with _controller().limit(limits=1, user_api="blas"):
            return function(*args, **kwargs)

    return limited

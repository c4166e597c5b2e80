"""Slow answers of a frozen object, each worked out once.

For methods that take arguments, as `functools.cached_property` is for those that take none.
Results that may be changed by whoever gets them are copied by the caller, not here.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from functools import wraps
from typing import Any, TypeVar

Answer = TypeVar("Answer")


def remembered(method: Callable[..., Answer]) -> Callable[..., Answer]:
    """
    Keep in the object what its method answers to each set of arguments.

    The memory goes with the object, unlike that of `functools.cache`, and a changed copy
    (`dataclasses.replace`) starts without it.

    Examples
    --------
    >>> class Shop:
    ...     @remembered
    ...     def count(self, what):
    ...         print("counting", what)
    ...         return len(what)
    >>> shop = Shop()
    >>> shop.count("pads"), shop.count("pads")
    counting pads
    (4, 4)
    """
    place = f"_{method.__name__}_remembered"

    @wraps(method)
    def answer(self: Any, *asked: Hashable) -> Answer:
        known: dict[tuple[Hashable, ...], Answer] = vars(self).setdefault(place, {})
        if asked not in known:
            known[asked] = method(self, *asked)
        return known[asked]

    return answer

"""Choosing: the shortest process that keeps its promise, and what to try next.

Here a fitted model is searched; nothing is fitted, read or written.
"""

from finishlab.solve.follow_up import follow_up

__all__ = ["follow_up"]

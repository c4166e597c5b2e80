"""Choosing: the shortest process that keeps its promise, and what to try next.

Here a fitted model is searched; nothing is fitted, read or written.
"""

from finishlab.solve.follow_up import follow_up
from finishlab.solve.frontier import Frontier, frontier
from finishlab.solve.recipe import Recipe
from finishlab.solve.shortest import shortest

__all__ = ["Frontier", "Recipe", "follow_up", "frontier", "shortest"]

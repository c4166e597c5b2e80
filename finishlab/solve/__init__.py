"""Choosing: the shortest process that keeps its promise, and what to try next.

Here a fitted model is searched; nothing is fitted, read or written.
"""

from finishlab.solve.choice import shortest
from finishlab.solve.recipe import Recipe
from finishlab.solve.rounds import follow_up
from finishlab.solve.targets import Frontier, frontier

__all__ = ["Frontier", "Recipe", "follow_up", "frontier", "shortest"]

"""Averages over the studied settings of the other factors, and how far two of them differ.

Which processes stand for "on average", and what a fitted model says of differences between
such averages. Which factors are compared, and in what words, is `effects.py`'s business.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from finishlab.model.joint import joint_readings, middling_readings
from finishlab.model.latent import Rows

if TYPE_CHECKING:
    from finishlab.model.additive import Additive
    from finishlab.model.finish_model import FinishModel

#: Levels of a factor looked at.
_LEVELS = 8
#: Processes that stand for an average, and of these so many whose readings are drawn together.
_PROCESSES, _DRAWN = 4000, 240
#: An interval leaves this share out at each end.
_TAIL = 0.05


def some_levels(levels: np.ndarray) -> np.ndarray:
    """Return the levels of a factor, or eight of them from end to end where it has more."""
    pick = np.unique(np.linspace(0, len(levels) - 1, min(len(levels), _LEVELS)).round().astype(int))
    return levels[pick]


class Averages:
    """
    A model's averages over the studied settings of all factors but those compared.

    Parameters
    ----------
    model : FinishModel
    held : mapping of factor -> position
        Factors that keep one setting, as the basis holds it.
    """

    def __init__(self, model: FinishModel, held: Mapping[str, float]) -> None:
        self._model, self._held = model, held
        self.basis = model.study.basis

    @cached_property
    def amounts(self) -> dict[str, Additive]:
        """The quantities that add up over steps: minutes, and film where it was read."""
        removal = self._model.removal
        return {"minutes": self._model.minutes} | ({} if removal is None else {"removed_um": removal})

    def _others(self, changed: set[str], most: int) -> np.ndarray:
        """Return settings of the factors not compared: all combinations, or evenly many of each level."""
        levels = []
        for f, every in zip(self.basis.factors, self.basis.levels, strict=True):
            if f.factor in changed:
                levels.append(every[:1])
            else:
                levels.append(
                    np.array([self._held[f.factor]]) if f.factor in self._held else some_levels(every)
                )
        rng = np.random.default_rng(20)
        if math.prod(map(len, levels)) <= most:
            grid = np.meshgrid(*levels, indexing="ij")
            return rng.permutation(np.column_stack([g.ravel() for g in grid]))
        return np.column_stack([rng.permutation(np.resize(v, most)) for v in levels])

    def blocks(self, changes: Sequence[Mapping[str, float]]) -> list[np.ndarray] | None:
        """
        Return for each of some settings the same processes but for them; None where none may be run.

        Processes that leave out a step whose settings are compared say nothing of them and stay out.
        """
        changed = set(changes[0])
        base = self._others(changed, _PROCESSES // len(changes))
        keep = np.ones(len(base), bool)
        every = []
        for change in changes:
            values = base.copy()
            for name, level in change.items():
                values[:, self.basis.column(name)] = level
            values = self.basis.canonical(values)
            keep &= self.basis.admissible(values)
            keep &= ~np.isnan(values[:, [self.basis.column(name) for name in changed]]).any(axis=1)
            every.append(values)
        return [values[keep] for values in every] if keep.any() else None

    def typical(self, quantity: str, blocks: Sequence[np.ndarray]) -> np.ndarray:
        """Return about what each block averages, shape (blocks,)."""
        if quantity in self.amounts:
            return np.array([self.amounts[quantity].mean(values).mean() for values in blocks])
        read = middling_readings(self._model.response(quantity).posterior, self._finished(blocks))
        return read.reshape(len(blocks), -1).mean(axis=1)

    def contrast(
        self, quantity: str, blocks: Sequence[np.ndarray], signs: Sequence[int]
    ) -> tuple[float, float, float]:
        """
        Return a sum of the blocks' averages, some of them taken off, and its 90 % interval.

        What is common to the blocks cancels: panels, patches, the meter, and most of what is not
        known of the processes.
        """
        if quantity in self.amounts:
            plus, minus = (
                np.concatenate([b for b, s in zip(blocks, signs, strict=True) if s == sign])
                for sign in (1, -1)
            )
            return self.amounts[quantity].difference(plus, minus)
        some = [values[: max(_DRAWN // len(blocks), 2)] for values in blocks]
        posterior = self._model.response(quantity).posterior
        read = joint_readings(posterior, self._finished(some))
        sign = np.array(signs, float)
        drawn = read.reshape(len(read), len(blocks), -1).mean(axis=2) @ sign
        if len(some[0]) < len(blocks[0]):
            # The few drawn together say how sure, all of them where.
            drawn = drawn + (self.typical(quantity, blocks) - self.typical(quantity, some)) @ sign
        low, high = np.quantile(drawn, [_TAIL, 1 - _TAIL])
        return float(drawn.mean()), float(low), float(high)

    def _finished(self, blocks: Sequence[np.ndarray]) -> Rows:
        values = np.concatenate(list(blocks))
        return Rows(values, np.full(len(values), len(self._model.study.steps) - 1))

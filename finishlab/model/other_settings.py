"""One or two factors looked at alone: the others held at a process, or averaged over."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model.latent import Rows, joint_readings, middling_readings
from finishlab.model.response import asked_response
from finishlab.study import Setting
from finishlab.words import show

if TYPE_CHECKING:
    from finishlab.model.additive import Additive
    from finishlab.model.finish_model import FinishModel
    from finishlab.model.response import ResponseFit
    from finishlab.study.basis import Basis


def held_at(model: FinishModel, at: Mapping[str, Any] | None) -> dict[str, float]:
    """Return settings as the basis holds them; those of a left-out step stay free."""
    basis = model.study.basis
    if unknown := [_unknown(basis, name) for name in at or {} if name not in basis.names]:
        raise ModelError(unknown)
    import pandas as pd

    named = {name: level for name, level in (at or {}).items() if level is not None}
    # The rest at any studied setting, so that the basis says what is wrong with the named ones.
    full = {f.factor: f.levels[-1] for f in basis.factors} | named
    values = basis.values(pd.DataFrame([full]))[0]
    return {
        name: float(values[basis.column(name)]) for name in named if not np.isnan(values[basis.column(name)])
    }


def base_of(model: FinishModel, at: Mapping[str, Any] | None, free: tuple[str, ...]) -> np.ndarray:
    """Return one full process; the factors in `free` at their highest studied level."""
    basis, today = model.study.basis, model.study.today or {}
    given = held_at(model, at)
    trials = basis.values(model.done)
    out = np.empty(len(basis.factors))
    for j, f in enumerate(basis.factors):
        tried, counts = np.unique(trials[~np.isnan(trials[:, j]), j], return_counts=True)
        if f.factor in free:
            out[j] = basis.levels[j][-1]
        elif f.factor in given:
            out[j] = given[f.factor]
        elif today.get(f.factor) is not None:
            out[j] = held_at(model, {f.factor: today[f.factor]}).get(f.factor, np.nan)
        else:
            out[j] = tried[counts.argmax()] if len(tried) else basis.levels[j][0]
    return out


def words_of(model: FinishModel, base: np.ndarray, free: tuple[str, ...]) -> str:
    """Return the process held in words, without what is free."""
    basis = model.study.basis
    parts = [
        f"{show.label(f.factor)} {show.level_text(f, v)}"
        for f, v in zip(basis.factors, basis.canonical(base[None])[0], strict=True)
        if f.factor not in free and not np.isnan(v)
    ]
    return ", ".join(parts) if parts else "its only settings"


def changed(model: FinishModel, base: np.ndarray, changes: list[dict[str, float]]) -> np.ndarray:
    """Return the process with each of some changes, shape (changes, factors)."""
    basis = model.study.basis
    values = np.repeat(base[None], len(changes), axis=0)
    for i, change in enumerate(changes):
        for name, level in change.items():
            values[i, basis.column(name)] = level
    return basis.canonical(values)


def fit_of(model: FinishModel, response: str | None) -> ResponseFit:
    """Return the fit of the response asked for."""
    return model.response(asked_response(model.study, response))


def read_at(fit: ResponseFit, values: np.ndarray, model: FinishModel) -> dict[str, np.ndarray]:
    """Return reading, intervals and minutes of processes."""
    return {**fit.intervals(values), "minutes": model.minutes.mean(values)}


def drawn_at(fit: ResponseFit, values: np.ndarray) -> np.ndarray:
    """Return readings of processes drawn together, shape (draws, processes)."""
    return joint_readings(fit.posterior, Rows(values, np.full(len(values), len(fit.study.steps) - 1)))


def setting_of(model: FinishModel, name: str) -> Setting:
    """Return a factor of the study by its name."""
    basis = model.study.basis
    if name not in basis.names:
        raise ModelError(_unknown(basis, name))
    return basis.factors[basis.column(name)]


def _unknown(basis: Basis, name: str) -> str:
    return f"{name!r} is no factor of this study. Factors: {', '.join(basis.names)}."


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

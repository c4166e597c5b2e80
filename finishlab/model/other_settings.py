"""The process that all else is held at while one or two factors change, and what the model reads there.

Settings given stand first, then those of today's process, then what the trials worked most.
What is made of the readings is `curves.py`'s and `grids.py`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model.joint import joint_readings
from finishlab.model.latent import Rows
from finishlab.model.response import asked_response
from finishlab.study import Setting
from finishlab.words import show

if TYPE_CHECKING:
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

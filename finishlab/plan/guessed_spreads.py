"""How much panels, patches and meters scatter, for plans that have no trials yet.

From a pilot's model, from a person, or stated guesses; nothing is estimated here.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import FinishlabError, PlanError
from finishlab.numbers import is_number

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study

#: SD between panels, between patches of a panel, of one meter reading (GU at 20 degrees, late
#: in the process) and of the minutes of a patch. Planning guesses: common practice, no source.
GUESSED = {"panel": 1.0, "patch": 2.0, "meter": 0.5, "minutes": 0.5}
#: Gloss at which a pilot's spreads, known on the roughness scale, are turned into GU: this
#: share of its ceiling, near where finishes are judged.
_SHARE = 0.95


def spreads_of(given: Any) -> tuple[dict[str, float], tuple[str, ...]]:
    """
    Return the spreads in force, and the names of those that are guesses.

    Parameters
    ----------
    given : mapping, FinishModel or None

    Raises
    ------
    PlanError
        A name is not known, or a value is not a number of 0 or more; all at once.

    Examples
    --------
    >>> spreads_of({"patch": 1.5})
    ({'panel': 1.0, 'patch': 1.5, 'meter': 0.5, 'minutes': 0.5}, ('panel', 'meter', 'minutes'))
    >>> spreads_of({"patches": 1.5})
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: spreads: 'patches' is not one of panel, patch, meter, minutes. Take one of these names.
    """
    if given is None:
        given = {}
    elif not isinstance(given, Mapping):
        if not hasattr(given, "response"):
            raise PlanError(
                f"spreads is {type(given).__name__}; give a mapping as {{'panel': 1.0, 'patch': 2.0}}, a pilot's fitted "
                "model, or leave it out."
            )
        given = _of_pilot(given)
    names = ", ".join(GUESSED)
    wrong = [
        f"spreads: {n!r} is not one of {names}. Take one of these names." for n in given if n not in GUESSED
    ]
    wrong += [
        f"spreads: {n} is {v!r}; it must be a number, 0 or more. Leave it out for the stated guess of {GUESSED[n]:g}."
        for n, v in given.items()
        if n in GUESSED and not (is_number(v) and v >= 0)
    ]
    if given.get("patch") == 0 and given.get("meter") == 0:
        wrong.append(
            "spreads: patch and meter are both 0; no two patches are that alike. Give one of them a value."
        )
    if wrong:
        raise PlanError(wrong)
    sd = {name: float(given.get(name, guess)) for name, guess in GUESSED.items()}
    return sd, tuple(name for name in GUESSED if name not in given)


def scatter_so_far(study: Study, trials: pd.DataFrame | None) -> dict[str, float]:
    """
    Return the spreads that a study's own trials show, none while they cannot be fitted.

    Examples
    --------
    >>> sorted(scatter_so_far(bench.study, bench.work(sheet, seed=1)))
    ['meter', 'minutes', 'panel', 'patch']
    >>> scatter_so_far(bench.study, bench.work(sheet, seed=1)[:1]), scatter_so_far(bench.study, None)
    ({}, {})
    """
    from finishlab.model import fit

    try:
        return {} if trials is None else _of_pilot(fit(study, trials))
    except FinishlabError:
        return {}


def _of_pilot(model: Any) -> dict[str, float]:
    """Return the spreads that a pilot's model found, in GU where finishes are judged, minutes over its trials."""
    gloss = [name for name in model.study.goal if name.startswith("gloss_")]
    found: dict[str, float] = {}
    if gloss:
        posterior = model.response(gloss[0]).posterior
        scale = posterior.draws[len(posterior.draws) // 2].scale
        z = scale.inverse(np.array([_SHARE * scale.ceiling]))
        slope = float(np.abs(scale.slope(z))[0])

        def typical(name: str) -> float:
            return float(np.median(posterior.spread(name)))

        found["panel"] = slope * typical("panel")
        found["patch"] = slope * math.hypot(typical("patch"), typical("reading"))
        found["meter"] = typical("meter")
    section = model.minutes.next_section(model.study.basis.values(model.done))
    found["minutes"] = float(np.median(section.sd))
    return found

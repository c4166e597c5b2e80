"""What a model rests on, as plain facts: counts, spreads, ceiling, a fingerprint.

The facts go into recipes and procedures so that anyone can see, and rerun, what stands
behind a number. Nothing is computed for choosing here.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.model.readings import burned_through, fitted_readings
from finishlab.plain import from_plain, plain_fields
from finishlab.study.column_names import read_in_trials

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.model.response import ResponseFit
    from finishlab.study import Study

#: How the kept form names the ceiling of each gloss.
_CEILING = "ceiling_"


@dataclass(frozen=True)
class Evidence:
    """
    What a model rests on.

    What a recipe of an older finishlab does not say is None, or empty.

    Attributes
    ----------
    trials, panels : int
        Done.
    model : str
        Kind of model, as ``steps``.
    fingerprint : str
        SHA-256 of the table of all trials.
    seed : int or None
        Of the fit.
    versions : dict of str -> str
        Program -> version, of what the numbers were worked out with.
    spoiled, burned : int
        Trials spoiled, and burned through.
    technicians : int
        Who worked them.
    first_date, last_date : str
        Days of the first and the last trial, as ``2026-03-04``; empty where no trial has a date.
    readings : int
        Single readings that the fits took.
    read_after : dict of step -> response, or None
        The gloss by which a job is judged after each step before the last; empty for none.
    worked : dict of factor -> list of settings, or None
        What the trials worked of each factor.
    earlier_trials, earlier_study : int, str, or None
        Trials of an earlier study that the fit took in, and its title.
    ceilings : dict of response -> (low, high)
        90 % interval of the ceiling of each gloss, GU.
    panel_spread, patch_spread : float or None
        Standard deviations between panels, and between patches of one, on the scale of the fit.
    """

    trials: int
    panels: int
    model: str
    fingerprint: str = ""
    seed: int | None = None
    versions: dict[str, str] = field(default_factory=dict)
    spoiled: int = 0
    burned: int = 0
    technicians: int = 0
    first_date: str = ""
    last_date: str = ""
    readings: int = 0
    read_after: dict[str, str] | None = None
    worked: dict[str, list[Any]] | None = None
    earlier_trials: int | None = None
    earlier_study: str | None = None
    ceilings: dict[str, tuple[float, float]] = field(default_factory=dict)
    panel_spread: float | None = None
    patch_spread: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python; `from_dict` brings it back."""
        kept = plain_fields(self)
        return kept | {f"{_CEILING}{name}": ends for name, ends in kept.pop("ceilings").items()}

    @classmethod
    def from_dict(cls, facts: Mapping[str, Any]) -> Evidence:
        """Make the evidence again from what `to_dict` gave."""
        ceilings = {
            k.removeprefix(_CEILING): (v[0], v[1]) for k, v in facts.items() if k.startswith(_CEILING)
        }
        return from_plain(cls, {**facts, "ceilings": ceilings})


def fingerprint(trials: pd.DataFrame) -> str:
    """
    Return the SHA-256 of a trial table's text, the same on every machine.

    The order of rows and columns and the labels of the rows do not matter.

    Examples
    --------
    >>> import pandas as pd
    >>> trials = pd.DataFrame({"panel": ["A", "B"], "minutes": [5.0, 6.5]})
    >>> fingerprint(trials) == fingerprint(trials[::-1][["minutes", "panel"]])
    True
    >>> fingerprint(trials) == fingerprint(trials.assign(minutes=[5.0, 6.4]))
    False
    """
    text = trials.sort_index(axis=1).to_csv(index=False, lineterminator="\n", float_format="%.10g")
    head, *rows = text.splitlines()
    return hashlib.sha256("\n".join([head, *sorted(rows)]).encode()).hexdigest()


#: GU at 20 degrees below which a step is read at 60 where the trials have both: 20 lies near the meter's floor (common practice, no source).
_DULL = 10.0


def gloss_read_after(study: Study, trials: pd.DataFrame, step: str) -> str:
    """
    Return the gloss by which a job is judged after a step: one that the trials read there, or empty.

    Where they read both angles it is 60 degrees on a dull surface and 20 degrees else; the pages of a
    procedure and its mid-job table all ask here.

    Parameters
    ----------
    study : Study
    trials : DataFrame
        As `fit` takes them.
    step : str
    """
    read = read_in_trials(study, step, trials.columns[trials.notna().any()])
    prefix = "" if step == study.steps[-1].name else f"{step}_"
    if "gloss_20" in read and "gloss_60" in read:
        return "gloss_60" if trials[f"{prefix}gloss_20"].median() < _DULL else "gloss_20"
    return next((name for name in read if name.startswith("gloss_")), "")


def evidence_of(
    study: Study,
    trials: pd.DataFrame,
    done: pd.DataFrame,
    fits: Mapping[str, ResponseFit],
    *,
    kind: str,
    seed: int,
) -> Evidence:
    """Return the facts behind a model: of all trials, of those done, and of each response fitted."""
    ceilings: dict[str, tuple[float, float]] = {}
    panel_spread = patch_spread = None
    for name, fit in fits.items():
        if name.startswith("gloss"):
            low, high = np.quantile(fit.posterior.ceilings.astype(float), [0.05, 0.95])
            ceilings[name] = float(low), float(high)
            panel_spread = float(np.median(fit.posterior.spread("panel")))
            patch_spread = float(
                np.median(np.hypot(fit.posterior.spread("patch"), fit.posterior.spread("reading")))
            )
    return Evidence(
        trials=len(done),
        panels=int(done["panel"].nunique()),
        model=kind,
        seed=seed,
        fingerprint=fingerprint(trials),
        versions=versions(),
        spoiled=int((trials["status"] == "spoiled").sum()) if "status" in trials else 0,
        burned=int(burned_through(trials).sum()),
        technicians=int(done["technician"].nunique()) if "technician" in done else 0,
        first_date=_date(done, "min"),
        last_date=_date(done, "max"),
        read_after={step.name: gloss_read_after(study, done, step.name) for step in study.steps[:-1]},
        readings=int(fitted_readings(done, study)["response"].isin(list(fits)).sum()),
        ceilings=ceilings,
        panel_spread=panel_spread,
        patch_spread=patch_spread,
    )


def versions() -> dict[str, str]:
    """
    Return what the numbers are worked out with: program and version.

    Examples
    --------
    >>> list(versions())
    ['finishlab', 'Python', 'numpy', 'scipy', 'pandas']
    """
    import platform
    from importlib.metadata import version

    found = {name: version(name) for name in ("finishlab", "numpy", "scipy", "pandas")}
    return {"finishlab": found.pop("finishlab"), "Python": platform.python_version(), **found}


def _date(done: pd.DataFrame, which: str) -> str:
    if "date" not in done or done["date"].isna().all():
        return ""
    return str(getattr(done["date"].dropna().astype(str), which)())[:10]

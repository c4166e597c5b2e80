"""Confirmation trials held against the forecast: which can judge it, what they read, what is now known.

The recipe's own forecast stands; nothing is fitted anew. Each reading is held against its
interval, all of them together against rounds drawn from the forecast, the share that met
the goal against the assurance; and the forecast is brought up to date.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError, RecordsError
from finishlab.model.computed_haze import fitted_readings, is_computed
from finishlab.model.readings import burned_through, counted_trials, patch_means
from finishlab.records import check_trials
from finishlab.solve.confirmation import Confirmation
from finishlab.solve.forecast import Forecast, Readings
from finishlab.solve.forecast_test import Together, read_together, share_as_few
from finishlab.statistics.exact_shares import exact_share
from finishlab.study import Job
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.solve.recipe import Recipe

#: Share that intervals hold.
_COVER = 0.90
#: Below this many fresh panels a round says little of how panels differ.
_FEW_PANELS = 3


def confirm(recipe: Recipe, trials: pd.DataFrame) -> Confirmation:
    """
    Judge confirmation trials against what the recipe predicted before they were worked.

    Parameters
    ----------
    recipe : Recipe
        Where none was found, the process that came closest is judged.
    trials : DataFrame
        As `read_trials` gives. Judged are those of the recipe's process on panels that its
        trials were not on; the table may hold others, which are named and left out.

    Returns
    -------
    Confirmation
        Each reading beside its 90 % interval, all together and how often chance alone puts a round as far off
        when the forecast is right, the share that met the goal with its exact binomial interval,
        the probability of the next job with these trials counted in, and one next step.

    Raises
    ------
    RecordsError
        The table is not right, or holds no trial of the process on a fresh panel.
    ModelError
        The recipe was kept without its forecast.

    References
    ----------
    Clopper & Pearson (1934), Biometrika 26, 404, for the share; predictive checks by draws:
    Box (1980), J. R. Stat. Soc. A 143, 383 (both from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> bench = fl.PracticeBench(kind=1, seed=3)
    >>> trials = bench.work(fl.plan_trials(bench.study, trials=24, panels=4, seed=7), seed=1)
    >>> recipe = fl.shortest(fl.fit(bench.study, trials))
    >>> import pandas as pd
    >>> sheet = pd.DataFrame([recipe.settings] * 6).assign(panel=["5", "5", "6", "6", "7", "7"], patch=[1, 2] * 3)
    >>> found = fl.confirm(recipe, bench.work(sheet, seed=2))
    >>> found.trials, found.panels, found.agrees
    (6, 3, True)

    Trials that the recipe was made from confirm nothing:

    >>> fl.confirm(recipe, trials)
    Traceback (most recent call last):
        ...
    finishlab.errors.RecordsError: no trial can confirm the recipe. ...
    """
    import pandas as pd

    forecast = recipe.forecast
    if forecast is None:
        raise ModelError(
            "this recipe was kept without its forecast, by an older finishlab. Fit its trials again and call shortest, then confirm."
        )
    table, cautions = _fresh(recipe, forecast, trials)
    done = counted_trials(table)
    spoiled = [row for row in table.index if row not in done.index]
    burned = burned_through(done)
    means, slips = _patches(recipe, forecast, done[~burned])
    rows, unread = _judged(forecast, done, burned, means)
    trial_met = _met(forecast, done, burned, rows)
    judged, met = len(trial_met), int(sum(trial_met.values()))
    low, high = exact_share(met, judged, _COVER)
    together = read_together(forecast, means)
    of_judged = done.loc[list(trial_met), "panel"].astype(str).to_numpy(object)
    updated = forecast.after(means)
    panels = int(done["panel"].nunique())
    return Confirmation(
        process=show.process_text(forecast.settings, recipe.study),
        goal=dict(forecast.goal),
        wanted=recipe.wanted,
        readings=rows,
        trials=judged,
        met=met,
        met_low=low,
        met_high=high,
        section_before=forecast.probability(job=Job()),
        share_together=together.share,
        share_as_few=share_as_few(forecast, of_judged, met) if judged else 1.0,
        off_by=together.off_by,
        before=forecast.probability(),
        now=updated.probability(),
        minutes=float(pd.to_numeric(done["minutes"][~burned], errors="coerce").mean()),
        minutes_before=float(recipe.predicted["minutes"]),
        forecast=updated,
        panels=panels,
        burned=int(burned.sum()),
        spoiled=len(spoiled),
        unread=len(unread),
        cautions=(
            *cautions,
            *slips,
            *_cautions(recipe, spoiled, done, burned, unread, panels, together),
        ),
    )


def _fresh(recipe: Recipe, forecast: Forecast, trials: pd.DataFrame) -> tuple[pd.DataFrame, list[str]]:
    """Return the worked and spoiled trials of the process on fresh panels, and what was left out."""
    import pandas as pd

    study = recipe.study
    table, found = check_trials(trials, study)
    missing = [n for n in forecast.goal if n not in table.columns and not is_computed(study, n)]
    if missing:
        raise RecordsError(
            [f"the trials have no {n}, which the recipe's goal asks for. Add a column {n}." for n in missing]
        )
    status = table["status"] if "status" in table else pd.Series("done", index=table.index)
    worked = status.isin(["done", "spoiled"]).to_numpy(bool)
    old = table["panel"].astype(str).isin(forecast.panels).to_numpy(bool)
    ours = np.zeros(len(table), bool)
    done = (status == "done").to_numpy(bool)
    mine = study.basis.row(forecast.settings)[0]
    if done.any():
        ours[done] = study.basis.same(study.basis.values(table[done]), mine)
    ours |= status.eq("spoiled").to_numpy(bool)
    left = []
    process = show.process_text(forecast.settings, study)
    if (used := worked & old).any():
        panels = show.listed(dict.fromkeys(table["panel"].astype(str)[used]))
        left.append(
            f"{show.counted(int(used.sum()), 'trial')} on panels that the recipe was made from ({panels}) cannot confirm it and "
            "were left out. Confirm on panels that were not in the study."
        )
    if (other := worked & ~old & ~ours).any():
        said = [
            f"row {row}: {show.process_text({str(k): v for k, v in settings.items()}, study)}"
            for row, settings in table[other][list(study.basis.names)].to_dict("index").items()
        ]
        left.append(
            f"{show.counted(int(other.sum()), 'trial')} worked another process than the recipe's ({process}) and were left out "
            f"({'; '.join(said)}). Correct the settings if they were mislogged."
        )
    kept = worked & ~old & ours
    if not (kept & done).any():
        nothing = "" if worked.any() else " None is done yet."
        raise RecordsError(
            f"no trial can confirm the recipe. {' '.join(left)}{nothing} Work its process ({process}) on fresh panels; follow_up plans them."
        )
    return table[kept], [*left, *found]


def _patches(
    recipe: Recipe, forecast: Forecast, whole: pd.DataFrame
) -> tuple[dict[str, Readings], tuple[str, ...]]:
    """Return the patch means of each response after the last step, slips set aside and named."""
    study = recipe.study
    long = fitted_readings(whole, study)
    long = long[long["step"] == study.steps[-1].name]
    out: dict[str, Readings] = {}
    cautions: tuple[str, ...] = ()
    for name in forecast.goal:
        row, y, repeats = np.empty(0, object), np.empty(0), np.empty(0)
        if (long["response"] == name).any():
            means = patch_means(long, study, name)
            row, y, repeats = means.row, means.y, means.repeats
            cautions += means.cautions
        panel = whole.loc[list(row), "panel"].astype(str).to_numpy(object)
        out[name] = Readings(y, repeats, panel, tuple(row))
    return out, cautions


def _judged(
    forecast: Forecast, done: pd.DataFrame, burned: np.ndarray, means: Mapping[str, Readings]
) -> tuple[pd.DataFrame, list[Any]]:
    """Return every reading beside its own interval, and the trials that lack one."""
    import pandas as pd

    patch = done["patch"] if "patch" in done.columns else pd.Series(None, index=done.index, dtype=object)
    parts = []
    for name, condition in forecast.goal.items():
        read, rows = means[name], list(means[name].rows)
        of = {n: forecast.intervals(n) for n in sorted(set(read.repeats.tolist()))}
        low, high = (
            np.array([of[n][f"{name}_job_{end}"] for n in read.repeats.tolist()], float)
            for end in ("low", "high")
        )
        parts.append(
            pd.DataFrame(
                {
                    "row": pd.Series(rows, dtype=object),
                    "panel": read.panel,
                    "patch": patch.loc[rows].to_numpy(object),
                    "response": name,
                    "reading": read.value,
                    "repeats": read.repeats,
                    "job_low": low,
                    "job_high": high,
                    "inside": (read.value >= low) & (read.value <= high),
                    "met": condition.met(read.value),
                }
            )
        )
    place = {label: i for i, label in enumerate(done.index)}
    table = pd.concat(parts, ignore_index=True)
    table = table.iloc[np.argsort([place[r] for r in table["row"]], kind="stable")].reset_index(drop=True)
    count = table["row"].value_counts()
    unread = [r for r in done.index[~burned] if count.get(r, 0) < len(forecast.goal)]
    return table, unread


def _met(forecast: Forecast, done: pd.DataFrame, burned: np.ndarray, rows: pd.DataFrame) -> dict[Any, bool]:
    """Return whether each trial met every goal; one that lacks a reading counts only when it failed another."""
    out: dict[Any, bool] = dict.fromkeys(done.index[burned], False)
    for row, some in rows.groupby("row", sort=False):
        if len(some) == len(forecast.goal) or not some["met"].all():
            out[row] = bool(some["met"].all())
    return out


def _cautions(
    recipe: Recipe,
    spoiled: list[Any],
    done: pd.DataFrame,
    burned: np.ndarray,
    unread: list[Any],
    panels: int,
    together: Together,
) -> list[str]:
    import pandas as pd

    found = []
    if burned.any():
        found.append(
            f"Burned through: {_named(done.index[burned])}, counted as not meeting the goal. Stop, and fit all trials together "
            "before anyone works this process again: the model then rules out what is as harsh."
        )
    if unread:
        found.append(
            f"Without a reading that the goal asks for: {_named(unread)}, judged only by those there are. Read the patch if it still exists."
        )
    if spoiled:
        found.append(
            f"Spoiled on fresh panels and not judged: {_named(spoiled)}. Where the process itself was the reason, log it as done "
            "with what it read: leaving failures out flatters the recipe."
        )
    if panels < _FEW_PANELS:
        found.append(
            f"Only {show.counted(panels, 'fresh panel')}: sections of one panel go together, so the share from these trials alone "
            "is less sure than its interval says. Three panels or more tell how panels differ."
        )
    if "removed_um" in done:
        for name, limit in recipe.study.limits.items():
            if name == "removed_um" and limit.condition.at_most is not None:
                over = pd.to_numeric(done["removed_um"], errors="coerce") > limit.condition.at_most
                if over.any():
                    found.append(
                        f"Past the limit ({limit.condition.text(name)}, set by {limit.set_by}): {_named(done.index[over])}. Stop, and ask who set it."
                    )
    if together.failed > 0:
        found.append(
            "In the study some patches failed outright. The promise counts them by their share; the intervals and the test of all readings together do not, "
            "and answer such a patch with an alarm."
        )
    return found


def _named(index: Iterable[Any]) -> str:
    """Return trials by how many and which rows."""
    rows = list(index)
    return f"{show.counted(len(rows), 'trial')} ({'row' if len(rows) == 1 else 'rows'} {', '.join(map(str, rows))})"

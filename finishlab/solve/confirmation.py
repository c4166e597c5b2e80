"""Confirmation: do trials on fresh panels read as was predicted before they were worked?"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from finishlab.errors import ModelError, RecordsError
from finishlab.model.readings import burned_through, counted_trials, fitted_readings, is_computed, patch_means
from finishlab.plain import plain_fields
from finishlab.records import check_trials
from finishlab.solve.forecast import Forecast, Readings
from finishlab.solve.forecast_test import RARE, RATE, Together, read_together, share_as_few
from finishlab.study import RESPONSES, Condition, Job
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from finishlab.solve.recipe import Recipe


_COLUMNS = ("row", "panel", "patch", "response", "reading", "repeats", "job_low", "job_high", "inside", "met")


@dataclass(frozen=True, eq=False)
class Confirmation:
    """
    Confirmation trials held against what was predicted before them.

    Made by `confirm`.

    Attributes
    ----------
    process : str
        The process confirmed, in words.
    goal : dict of response -> Condition
    wanted : float
        The assurance asked for, a probability.
    readings : DataFrame
        One row a trial and response: `row`, `panel`, `patch`, `response`, `reading`,
        `repeats`, `job_low` and `job_high` (90 % interval of that reading, predicted before),
        `inside`, `met`.
    trials, met : int
        Trials that can be judged on every goal, burn-throughs among them, and those that met all.
    met_low, met_high : float
        90 % interval of the share of sections that meet the goal, from these trials alone.
    section_before : float
        Share of sections that was predicted to meet the goal.
    share_together : float
        Share of rounds, drawn from the forecast, whose readings lie together at least as far from it.
    share_as_few : float
        Share of rounds, drawn from the forecast, in which as few trials meet the goal, or fewer.
    off_by : dict of response -> float
        How far the readings lie above (below: negative) their prediction on average, in units of the response.
    before, now : float
        Probability that the next job meets every goal, before these trials and with them.
    forecast : Forecast
        Brought up to date by these trials.
    minutes, minutes_before : float
        Average minutes of the trials, and as predicted.
    panels, burned, spoiled, unread : int
        Fresh panels; burn-throughs; trials spoiled; trials that lack a reading of the goal.
    cautions : tuple of str
    """

    process: str
    goal: dict[str, Condition]
    wanted: float
    readings: pd.DataFrame
    trials: int
    met: int
    met_low: float
    met_high: float
    section_before: float
    share_together: float
    share_as_few: float
    off_by: dict[str, float]
    before: float
    now: float
    minutes: float
    minutes_before: float
    forecast: Forecast
    panels: int
    burned: int
    spoiled: int
    unread: int
    cautions: tuple[str, ...]

    @property
    def by_chance(self) -> float:
        """How often chance alone does this when the recipe holds: the smaller of `share_together` and `share_as_few`."""
        return min(self.share_together, self.share_as_few)

    @property
    def verdict(self) -> Literal["as predicted", "may be chance", "not as predicted"]:
        """As predicted: chance does it in 1 round of 10 or more; may be chance: in 1 of 100 or more; else not as predicted."""
        if self.by_chance >= RATE:
            return "as predicted"
        return "may be chance" if self.by_chance >= RARE else "not as predicted"

    @property
    def agrees(self) -> bool:
        """Whether the trials read together as predicted, and as many met the goal as may be expected."""
        return self.verdict == "as predicted"

    @property
    def next_step(self) -> str:
        """What to type or do now, in one sentence."""
        if self.burned:
            return "Stop working this process, and type finishlab shortest with the study folder: it rules out what is as harsh."
        if self.verdict == "not as predicted":
            return "Stop working by the recipe, and look for what changed: lot, pad, wipe, technician, meter."
        if min(self.before, self.now) < self.wanted:
            return "Type finishlab shortest with the study folder: it counts these trials in and names the process anew."
        if self.verdict == "may be chance":
            return "Type finishlab follow-up --anyway with the study folder: it plans four more trials to confirm with."
        return "Work the next job by the recipe."

    def text(self) -> str:
        """Say in plain words what was seen, how often chance does that, what is now known, and what to do next."""
        goal = show.listed(c.text(name) for name, c in self.goal.items())
        inside, all_ = int(self.readings["inside"].sum()), len(self.readings)
        lines = [
            f"{self.process}: {self.met} of {show.counted(self.trials, 'trial')} on {show.counted(self.panels, 'fresh panel')} met {goal}, "
            f"where {show.percent(self.section_before)} was predicted; by these trials alone the share lies between "
            f"{show.percent(self.met_low)} and {show.percent(self.met_high)}.",
            f"{inside} of {show.counted(all_, 'reading')} lie inside the 90 % interval predicted for each.",
            *self._seen(),
        ]
        if not math.isnan(self.minutes):
            lines.append(
                f"They took {show.minutes_text(self.minutes)} a section on average, {show.number(self.minutes_before)} predicted."
            )
        if self.verdict != "not as predicted":
            keeps = "keeps its promise" if self.now >= self.wanted else "falls short of its promise"
            lines.append(
                f"With these trials the next job meets the goal with {show.percent(self.now)} assurance "
                f"({show.percent(self.before)} before, {show.asked_percent(self.wanted)} wanted): the recipe {keeps}."
            )
        return " ".join([*lines, f"Next: {self.next_step[0].lower()}{self.next_step[1:]}"])

    def _seen(self) -> list[str]:
        """Say how far the readings lie from the prediction, how often chance does that, and what follows."""
        said = []
        if self.readings.empty:
            said.append("There is no reading to hold against the forecast.")
        else:
            off = show.listed(_off(name, v) for name, v in self.off_by.items())
            said.append(f"On average {off}.")
        as_far = (
            "gives as few good trials to" if self.share_as_few < self.share_together else "puts as far off"
        )
        follows = {
            "as predicted": "the trials read as predicted",
            "may be chance": "this may be chance",
            "not as predicted": "this is hardly chance, and the prediction no longer holds",
        }[self.verdict]
        said.append(f"When the recipe holds, chance alone {as_far} {_often(self.by_chance)}: {follows}.")
        return said

    def table(self) -> pd.DataFrame:
        """Return one line a trial and response: what was predicted, what was read."""
        return self.readings.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python, at full precision; `from_dict` brings it back."""
        return plain_fields(self)

    @classmethod
    def from_dict(cls, facts: Mapping[str, Any]) -> Confirmation:
        """Make the confirmation again from what `to_dict` gave."""
        import pandas as pd

        forecast = Forecast.from_dict(facts["forecast"])
        numbers: dict[str, Any] = {k: math.nan if facts[k] is None else facts[k] for k in _NUMBERS}
        return cls(
            process=facts["process"],
            wanted=facts["wanted"],
            **numbers,
            goal=forecast.goal,
            readings=pd.DataFrame(facts["readings"], columns=list(_COLUMNS)),
            off_by=dict(facts["off_by"]),
            forecast=forecast,
            cautions=tuple(facts["cautions"]),
        )

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the readings of the first goal, each beside the interval predicted for it."""
        from finishlab.figures import answer_figures

        name, condition = next(iter(self.goal.items()))
        rows = self.readings[self.readings["response"] == name]
        ends = [e for e in (condition.at_least, condition.at_most) if e is not None]
        title = (
            f"{self.process}: {int(rows['inside'].sum())} of {len(rows)} readings inside what was predicted"
        )
        return answer_figures.confirmed(rows, label=show.label(name), ends=ends, title=title, ax=ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def _often(share: float) -> str:
    """
    Return a share of rounds as a person counts them.

    Examples
    --------
    >>> _often(0.37), _often(0.0625), _often(0.0004)
    ('about 37 rounds in 100', 'about 1 round in 16', 'fewer than 1 round in 1,000')
    """
    if share >= RATE:
        return f"about {100 * min(share, 0.99):.0f} rounds in 100"
    return f"about 1 round in {1 / share:.0f}" if share >= 0.001 else "fewer than 1 round in 1,000"


def _off(name: str, by: float) -> str:
    words, unit = RESPONSES[name]
    size = f"{show.number(abs(by))} {unit}".strip()
    return f"{words} lies {size} {'above' if by > 0 else 'below'} the prediction"


_NUMBERS = (
    "trials",
    "met",
    "met_low",
    "met_high",
    "section_before",
    "share_together",
    "share_as_few",
    "before",
    "now",
    "minutes",
    "minutes_before",
    "panels",
    "burned",
    "spoiled",
    "unread",
)


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
    from statsmodels.stats.proportion import proportion_confint

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
    low, high = proportion_confint(met, judged, alpha=1 - _COVER, method="beta") if judged else (0.0, 1.0)
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

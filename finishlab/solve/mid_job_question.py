"""The middle of a job: what a technician tells, refused where it makes no sense, and the answer in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model import FinishModel
from finishlab.model.patch_readings import GlossRead
from finishlab.plain import plain_fields
from finishlab.study import RANGES, RESPONSES, Step
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True, eq=False)
class NextPasses:
    """
    What to do now with a patch in the middle of its process.

    Made by `next_passes`.

    Attributes
    ----------
    action : {"stop", "done", "go on", "cannot tell"}
        Stop for the film's sake; the finish is there already; go on as said; no way on is sure enough.
    more : float
        Further passes (or seconds) of the step just worked.
    settings : dict of factor -> setting
        The whole process as it then stands; empty on a stop.
    minutes : float
        Further working minutes of this section, wipes included; with `read_again` those on average, the reading and
        its wait included.
    assurance : float
        Probability that the job meets every goal: all its sections worked so, this one having read so.
    this_section : float
        Probability that this section meets every goal; of a job of one section the same.
    wanted : float
        Probability asked of the job.
    read_again : bool
        Whether to work that and then read and ask again: where a reading costs less than the passes that make it sure.
    said : str
    options : DataFrame
        One row a way on that was weighed: ``way`` in words, ``minutes``, ``assurance``, ``keeps_limits``.
    cautions : tuple of str
    """

    action: str
    more: float
    settings: dict[str, Any]
    minutes: float
    assurance: float
    this_section: float
    wanted: float
    read_again: bool
    said: str
    options: pd.DataFrame
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say what to do now, on one screen."""
        return self.said

    def table(self) -> pd.DataFrame:
        """Return a copy of the ways on that were weighed."""
        return self.options.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        return plain_fields(self)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw further minutes against the assurance of every way on that was weighed."""
        from finishlab.figures import job_figures

        return job_figures.ways(
            self.options, wanted=self.wanted, title=self.said.split(";")[0].split(". ")[0], ax=ax
        )

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


#: Readings of a patch that are understood.
_READINGS = ("gloss_20", "gloss_60", "removed_um", "film_left_um")


def last_worked(model: FinishModel, worked: Mapping[str, Any]) -> int:
    """Return the position of the last step worked; refuse what is out of order."""
    study = model.study
    names = [s.name for s in study.steps]
    unknown = [k for k in worked if k not in study.settings]
    if unknown:
        raise ModelError(
            f"{unknown[0]!r} is not a setting of this study. Settings: {', '.join(study.basis.names)}. Name what was worked so far."
        )
    touched = [names.index(study.settings[k].step) for k, v in worked.items() if v is not None]
    if not touched:
        raise ModelError(
            "nothing was worked yet. Name the settings of the steps worked so far, as cut_passes."
        )
    last = max(touched)
    lacking = [
        s.factor
        for step in study.steps[: last + 1]
        for s in step.settings
        if not s.held and s.factor not in worked and not _is_left_out(step, worked)
    ]
    if lacking:
        raise ModelError(
            f"{show.listed(lacking)} {'is' if len(lacking) == 1 else 'are'} missing: of every step up to {names[last]} all settings must be named."
        )
    return last


def _is_left_out(step: Step, worked: Mapping[str, Any]) -> bool:
    return step.amount is not None and worked.get(step.amount.factor) == 0


def completed(model: FinishModel, worked: Mapping[str, Any], index: int) -> dict[str, Any]:
    """Return the settings worked, with any that are allowed for later steps, checked against the study."""
    import pandas as pd

    study = model.study
    settings: dict[str, Any] = dict(worked)
    for step in study.steps[index + 1 :]:
        for s in step.settings:
            if not s.held:
                settings[s.factor] = s.levels[0]
    study.basis.values(pd.DataFrame([settings]))  # refuses what was never studied
    return settings


def given(
    model: FinishModel, readings: Mapping[str, Any], step: Step
) -> tuple[list[GlossRead], dict[str, float]]:
    """Return what was read of the gloss, and the film that each limit still lets go, µm; every mistake at once."""
    wrong = [
        f"{k!r} is no reading here. Known are {', '.join(_READINGS)}." for k in readings if k not in _READINGS
    ]
    taken = {k: v for k in _READINGS if (v := readings.get(k)) is not None}
    values: dict[str, np.ndarray] = {}
    for name, given in taken.items():
        try:
            values[name] = np.atleast_1d(np.asarray(given, float)).ravel()
        except (TypeError, ValueError):
            values[name] = np.array([np.nan])
        low, high = RANGES[name]
        if not (len(values[name]) and ((values[name] >= low) & (values[name] <= high)).all()):
            unit = RESPONSES[name][1] if name in RESPONSES else "µm"
            wrong.append(
                f"{name} is {given!r}; readings run from {low:g} to {high:g} {unit}. Read the patch again."
            )
    if not any(name.startswith("gloss_") for name in taken):
        wrong.append(
            f"no gloss reading is given. Read the patch after {step.name} and give gloss_20 or gloss_60."
        )
    if model.study.limits and not any(name in taken for name in ("removed_um", "film_left_um")):
        wrong.append(
            f"the study limits {show.listed(model.study.limits)}, and neither film_left_um nor removed_um is given. Read the film of this patch before going on."
        )
    if wrong:
        raise ModelError(wrong)
    reads = [
        GlossRead(int(name.removeprefix("gloss_")), float(v.mean()), len(v))
        for name, v in values.items()
        if name.startswith("gloss_")
    ]
    # Of several film readings the thinnest spot counts.
    removed = float(values["removed_um"].max()) if "removed_um" in values else None
    left = float(values["film_left_um"].min()) if "film_left_um" in values else None
    return reads, {name: _spare(model, name, removed, left) for name in model.study.limits}


def _spare(model: FinishModel, name: str, removed: float | None, left: float | None) -> float:
    """Return the film that a limit still lets go, µm."""
    condition = model.study.limits[name].condition
    if name == "film_left_um" and left is not None:
        return left - float(condition.at_least)  # type: ignore[arg-type]
    if removed is None:
        before = model.study.job.film_before_um
        if before is None or left is None:
            raise ModelError(
                f"the study limits {name}, and film_left_um alone does not say how much is gone. Give removed_um, or film_before_um in [job]."
            )
        removed = before - left
    return model.most_removal(name) - removed

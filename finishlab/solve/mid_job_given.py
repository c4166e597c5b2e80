"""What a technician tells in the middle of a job: the steps worked, the readings taken; refused where it makes no sense.

Every sentence about a wrong setting or reading of `next_passes` is here, and the film that a limit still lets go.
What follows from it all is `mid_job.py`'s.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model import FinishModel
from finishlab.model.patch_readings import GlossRead
from finishlab.study import RANGES, RESPONSES, Step
from finishlab.words import show

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

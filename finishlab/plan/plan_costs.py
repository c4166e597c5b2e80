"""What working a plan takes: panels, discs, product, hours, and when a saving pays it back.

Minutes come from the day laid out in `day.py`; what the plan will be able to see is `foresight.py`'s.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from finishlab.plan.day import RunDay
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study


def costs_of(
    sheet: pd.DataFrame,
    study: Study,
    day: RunDay,
    patches_a_disc: float | None,
    product_ml_a_pass: float | None,
    saving_minutes: float | None,
) -> dict[str, float]:
    """Return what the plan takes, as `Foresight.costs` says; discs, product and pay-back where they are known."""
    rows: list[dict[str, Any]] = sheet.to_dict("records")  # type: ignore[assignment]
    sanded, discs, passes = 0, 0, 0.0
    for step in study.steps:
        worked = [row for row in rows if not show.left_out(step, row)]
        grit = step.setting("grit")
        if grit is not None:
            used = [show.value_of(grit, row) for row in worked]
            sanded += len(used)
            discs += sum(math.ceil(used.count(g) / (patches_a_disc or 1)) for g in set(used))
        if step.setting("product") is not None and step.amount is not None and step.amount.name == "passes":
            passes += sum(float(show.value_of(step.amount, row)) for row in worked)
    costs = {
        "panels": float(sheet["panel"].nunique()),
        "hours": day.minutes / 60,
        "changeovers": float(day.changeovers),
        "patches_sanded": float(sanded),
        "product_passes": passes,
    }
    if patches_a_disc is not None:
        costs["discs"] = float(discs)
    if product_ml_a_pass is not None:
        costs["product_ml"] = passes * product_ml_a_pass
    costs["payback_jobs_per_minute"] = day.minutes / study.job.sections
    if saving_minutes is not None:
        costs["payback_jobs"] = day.minutes / (saving_minutes * study.job.sections)
    return costs


def taken(costs: Mapping[str, float]) -> list[str]:
    """Say what the work takes, as far as it is known."""
    parts = [show.counted(int(costs["panels"]), "panel")]
    if "discs" in costs:
        parts.append(show.counted(int(costs["discs"]), "disc"))
    elif costs["patches_sanded"]:
        parts.append(f"discs for {int(costs['patches_sanded'])} patches")
    if "product_ml" in costs:
        parts.append(f"{show.number(costs['product_ml'], toward='up')} ml of product")
    elif costs["product_passes"]:
        parts.append(f"product for {costs['product_passes']:g} passes")
    return [*parts, f"{costs['hours']:.1f} hours of one person"]

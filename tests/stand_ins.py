"""Hand-made recipes for tests of what is shown: every number is invented and written out here.

No model stands behind them, so that a test of a page or a figure knows beforehand what
must stand in it.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pandas as pd

from finishlab import Recipe, Study, issue_procedure, write_procedure
from finishlab.model.evidence import Evidence
from finishlab.model.limits import LimitForecast
from finishlab.procedure import Procedure
from finishlab.solve.answer_parts import Saving, TimedProcess

STUDY = """
title = "{title}"
pass_means = "one direction, 50 % overlap"

[[step]]
name = "sand"
grit = ["P1500", "P2000"]
passes = 4
changeover_minutes = 4
[[step]]
name = "cut"
pad = ["wool", "foam"]
product = ["{product}", "compound B"]
passes = {{ lowest = 1, highest = 8 }}
changeover_minutes = 3
[[step]]
name = "polish"
pad = "soft foam"
product = "polish A"
passes = {{ lowest = 0, highest = 6 }}

[goal]
gloss_20 = {{ at_least = 84 }}
haze = {{ at_most = 18 }}
assurance = 0.90

[limit]
{limit}

[job]
sections = 6

[today]
sand_grit = "P1500"
cut_pad = "wool"
cut_product = "{product}"
cut_passes = 6
polish_passes = 4

[reading]
spots = 3
after = ["sand", "cut", "polish"]
wipe = "panel wipe, lint-free cloth"
wait_minutes = 15
haze_method = "ISO 13803"
"""

FINGERPRINT = "3a7bd3e2360a3d29eea436fcfb7e44c735d117c42d5c1835420b6b9942dd4f1b"


def study(
    title: str = "Box-van side panels, 2K clear",
    product: str = "compound A",
    set_by: str | None = "workshop lead, 3 March",
) -> Study:
    """A study of three steps; without `set_by` it has no limit. Texts are TOML-escaped here."""
    quoted = [t.replace("\\", "\\\\").replace('"', '\\"') for t in (title, product, set_by or "")]
    limit = f'removed_um = {{ at_most = 8, set_by = "{quoted[2]}", assurance = 0.99 }}' if set_by else ""
    return Study.from_toml(STUDY.format(title=quoted[0], product=quoted[1], limit=limit))


def settings(product: str = "compound A", **changes: Any) -> dict[str, Any]:
    """One process of that study."""
    base = {
        "sand_grit": "P2000",
        "cut_pad": "wool",
        "cut_product": product,
        "cut_passes": 4,
        "polish_passes": 2,
    }
    return {**base, **changes}


def recipe(
    *,
    title: str = "Box-van side panels, 2K clear",
    product: str = "compound A",
    set_by: str | None = "workshop lead, 3 March",
    **changes: Any,
) -> Recipe:
    """A recipe that was found: 6.83 minutes a section at 0.918, asked for 0.90."""
    its_study = study(title, product, set_by)
    rival = [
        (settings(product, cut_passes=3), 6.06, 5.6, 6.7, 0.789, True),
        (settings(product, cut_pad="foam"), 6.5, 6.0, 7.2, 0.93, False),
        (settings(product, cut_passes=2, polish_passes=0), 4.9, 4.5, 5.5, 0.31, True),
        (settings(product, polish_passes=3), 7.1, 6.5, 7.9, 0.94, True),
    ]
    names = ["minutes", "minutes_low", "minutes_high", "assurance", "keeps_limits"]
    rivals = pd.DataFrame([{**s, **dict(zip(names, rest, strict=True))} for s, *rest in rival]).sort_values(
        "minutes"
    )
    limit = LimitForecast(
        at_most=8.0, set_by=set_by or "", assurance=0.99, predicted=4.21, worst=6.07, probability=0.9981
    )
    fields: dict[str, Any] = {
        "found": True,
        "settings": settings(product),
        "minutes": 6.83,
        "minutes_low": 6.11,
        "minutes_high": 7.72,
        "assurance": 0.9183,
        "wanted": 0.90,
        "goal": its_study.goal,
        "study": its_study,
        "predicted": {
            "gloss_20": 86.034,
            "gloss_20_mean_low": 85.21,
            "gloss_20_mean_high": 86.93,
            "gloss_20_job_low": 83.72,
            "gloss_20_job_high": 88.29,
            "haze": 12.31,
            "haze_mean_low": 11.2,
            "haze_mean_high": 13.5,
            "haze_job_low": 8.4,
            "haze_job_high": 16.9,
            "minutes": 6.83,
            "minutes_low": 6.11,
            "minutes_high": 7.72,
            # Six sections, change-overs of 4 and 3 minutes, and 15 minutes of wait after each of three steps.
            "job_minutes": 92.98,
            "job_minutes_low": 88.66,
            "job_minutes_high": 98.32,
        },
        "rivals": rivals,
        "closest": None,
        "saves": Saving(minutes=2.07, low=1.21, high=2.94, today_minutes=8.9, today_assurance=0.97),
        "limits": {"removed_um": limit} if set_by else {},
        "evidence": Evidence(
            trials=41,
            panels=5,
            readings=369,
            model="steps",
            fingerprint=FINGERPRINT,
            versions={"finishlab": "0.1.0", "Python": "3.11.7", "numpy": "2.4.1"},
            seed=1,
            first_date="2025-03-04",
            last_date="2025-03-20",
            technicians=2,
            ceilings={"gloss_20": (88.1, 90.4)},
            panel_spread=0.03,
            patch_spread=0.02,
            spoiled=1,
            burned=1,
        ),
        "verdict": "found",
        "limited_by": "",
        "would_settle": "",
        "cautions": ("gloss alone cannot see texture; add faults to the goal.",),
    }
    return Recipe(**{**fields, **changes})


def not_found() -> Recipe:
    """A recipe that was not found: the closest process reaches 0.62."""
    nan, closest = math.nan, settings(cut_passes=8)
    job_minutes = study().basis.job_of(closest, 9.41)
    return recipe(
        found=False,
        verdict="cannot tell yet",
        limited_by="trials",
        settings={},
        minutes=nan,
        minutes_low=nan,
        minutes_high=nan,
        assurance=nan,
        saves=None,
        closest=TimedProcess(settings=closest, minutes=9.41, job_minutes=job_minutes, assurance=0.628),
        would_settle="About 6 more trials near it would settle it.",
    )


def issued(
    folder: Path,
    made_from: Recipe | None = None,
    *,
    number: str = "SP-1",
    date: str | None = None,
    **how: Any,
) -> Procedure:
    """Return a procedure that was drafted and issued by the owner on the same day."""
    write_procedure(made_from or recipe(), number=number, folder=folder, date=date, **how)
    return issue_procedure(folder, number, by="owner", date=date)

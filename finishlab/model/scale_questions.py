"""The questions about the scale that gloss is fitted on: where its ceiling lies, and on which power the settings add up.

Questions about trials left out are in `check_questions.py`, the arithmetic of powers in `box_cox.py`.
"""

from __future__ import annotations

import numpy as np

from finishlab.model.check_answers import ODD, REACH, Asked, Check
from finishlab.model.response import INDEX_PRIOR, ResponseFit
from finishlab.statistics.box_cox import box_cox
from finishlab.trade import optics
from finishlab.words.show import asked_percent, interval_text, number

#: Share of the general guess that is left where the trials taught nothing of the ceiling to speak of.
_UNTAUGHT = 0.7
#: A power of roughness further than this from its logarithm is worth a caution.
_FAR_POWER = 0.5


def ceilings(fit: ResponseFit) -> tuple[np.ndarray, np.ndarray]:
    """Return the 90 % interval of a gloss ceiling after the trials, and of the guess before them, GU."""
    after = np.quantile(np.array(fit.posterior.ceilings, float), [0.05, 0.95])
    mean, sd = INDEX_PRIOR
    angle = int(fit.name.removeprefix("gloss_"))
    before = [float(optics.ceiling_gloss(mean + k * sd, angle)) for k in (-REACH, REACH)]
    return after, np.array(before)


def ask_ceiling(asked: Asked) -> Check:
    """Ask where the ceiling of this clear lies, and whether the goal may lie above it."""
    after, before = ceilings(asked.fit)
    low, high = map(float, after)
    untaught = np.ptp(after) > _UNTAUGHT * np.ptp(before)
    source = "which is hardly more than the general guess for clears" if untaught else "by the trials"
    sentence = f"{asked.label}: the ceiling of this clear lies within {interval_text(low, high, 'GU')} (90 %), {source}."
    condition = asked.fit.study.goal.get(asked.fit.name)
    caution = ""
    if condition is not None and condition.at_least is not None:
        below = float((np.array(asked.fit.posterior.ceilings, float) < condition.at_least).mean())
        if below > 0.05:
            caution = (
                f"The goal of {number(condition.at_least, 1)} GU may lie above the ceiling of this clear "
                f"({interval_text(low, high, 'GU')}): no process reaches it then. Read the smoothest patch the shop can make."
            )
    facts = {
        "low": float(after[0]),
        "high": float(after[1]),
        "before_low": before[0],
        "before_high": before[1],
    }
    return Check("ceiling", asked.fit.name, sentence, caution, facts)


def _power_data(asked: Asked) -> tuple[np.ndarray, np.ndarray]:
    """Return a model matrix of settings and panels, and the roughness read on each trial."""
    observed, view = asked.fit.posterior.observed, asked.view
    draw = asked.fit.posterior.draws[len(asked.fit.posterior.draws) // 2]
    z = draw.scale.inverse(observed.y[view.at])
    basis = asked.fit.study.basis
    settings, _ = basis.columns(observed.rows.values[view.at], pairs=False)
    panels = (asked.panels[:, None] == np.unique(asked.panels)[None, 1:]).astype(float)
    matrix = np.hstack([np.ones((len(z), 1)), settings, panels])
    use = np.isfinite(z)
    return matrix[use], np.exp(z[use])


def ask_power(asked: Asked) -> Check:
    """Ask on which power of roughness the settings add up."""
    matrix, rough = _power_data(asked)
    name = asked.fit.name
    if len(rough) < np.linalg.matrix_rank(matrix) + 3:
        sentence = f"{asked.label}: the trials are too few to ask on which scale the settings add up."
        return Check("scale", name, sentence)
    found = box_cox(matrix, rough, cover=0.95)
    sentence = (
        f"{asked.label}: the settings add up best on the power {number(found.power, 1)} of roughness "
        f"({number(found.low, 1, 'down')} to {number(found.high, 1, 'up')}, {asked_percent(0.95)}); its logarithm, power 0, is used."
    )
    caution = ""
    strict = box_cox(matrix, rough, cover=1 - ODD)
    if not strict.low <= 0 <= strict.high and abs(found.power) > _FAR_POWER:
        caution = (
            f"The settings do not add up on the logarithm of roughness that the model of {asked.label} uses; "
            f"power {number(found.power, 1)} would be straighter. Compare the other kind of model with compare_models."
        )
    facts = {"power": found.power, "low": found.low, "high": found.high}
    return Check("scale", name, sentence, caution, facts)

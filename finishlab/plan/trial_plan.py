"""From a study to a sheet of trials in run order, with the reason for each.

Here the arguments are checked, the search is set up and its answer is put into a person's
words: panel, patch, run order, why. The shape of a plan is in `layout.py`, the measure of
a good one in `plan_criterion.py`.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab import progress
from finishlab.errors import PlanError
from finishlab.model.trial_coverage import Worked
from finishlab.numbers import is_whole
from finishlab.plan.classical import KINDS as CLASSICAL
from finishlab.plan.classical import designs_of
from finishlab.plan.confounding import too_few
from finishlab.plan.day import run_day
from finishlab.plan.exchange import Problem, covered, exchange
from finishlab.plan.layout import Layout, lay_out
from finishlab.plan.panel_runs import block
from finishlab.plan.patch_places import require_places
from finishlab.plan.plan_criterion import Criterion, criterion_of
from finishlab.study import Study
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study.basis import Basis

KINDS = ("best", *CLASSICAL)
AIMS = ("finish", "settings")
#: Random starts of the search. More gain little: see the exchange's own notes.
_STARTS = 12
CONTROL = "control: today's process"


def plan_trials(
    study: Study,
    *,
    trials: int,
    panels: int,
    seed: int | None = None,
    existing: pd.DataFrame | None = None,
    kind: str = "best",
    aim: str = "finish",
) -> pd.DataFrame:
    """
    Plan trials that tell as much as they can about every factor.

    Parameters
    ----------
    study : Study
    trials : int
        Trials to run, each worked fresh on a patch of its own.
    panels : int
        Test panels to spread them over, as equally as can be. At most ``study.patches``
        trials fit on one.
    seed : int, optional
        The same seed gives the same plan. Left out, one is drawn and kept in ``.attrs``.
    existing : DataFrame, optional
        One row a trial already run or planned: the factor columns and ``panel``. The new ones are
        chosen to add to them, runs of a textbook plan among them are not planned again; they are
        not in the returned sheet. Spoiled ones are ignored.
    kind : {"best", "factorial", "fraction", "central composite", "box-behnken"}
        "best" chooses the settings that tell most about the model that `fit` will use. The
        others are the textbooks' plans, the same blocked and in random order: the lowest and
        highest of every number and every level of other settings ("factorial"), the largest
        fraction of that for which there is room ("fraction"), numbers at five levels or at
        three. Room that is left goes to centre points, or to repeats.
    aim : {"finish", "settings"}
        What a "best" plan is to be best at. "finish" foretells the finish well, above all where
        the goal may be won or missed: for finding the shortest process (I-optimality).
        "settings" tells the settings apart as surely as can be: for learning what each one
        does (D-optimality). Of no account for textbook plans.

    Returns
    -------
    DataFrame
        One row a trial, in run order: the factors, ``panel``, ``patch``, ``run_order`` and
        ``why``; ``half_panel`` too where a setting changes by half panel. Panels are new
        labels. Settings of a left-out step are None. ``.attrs["seed"]`` is the seed,
        ``.attrs["cautions"]`` a tuple of sentences about what the plan cannot do,
        ``.attrs["design"]`` what is known of a textbook plan (``resolution``,
        ``defining_relation`` in the letters of ``letters``, ``aliases`` in words, ``alpha``;
        ``already_run``, its runs among existing trials) and two measures of every plan, run
        trials counted: ``D``, the information on a coefficient (more is better), and ``I``, the
        mean variance of what is foretold in units of a trial's own (less is better);
        ``.attrs["day"]`` the facts of `run_day`.

    Raises
    ------
    PlanError
        The trials do not fit on the panels, or an argument is not right; all at once. A
        textbook plan needs more trials, or other settings.
    OutsideStudy
        An existing trial has a setting that the study does not have.

    Notes
    -----
    Today's process, where the study has one, runs once on every panel as a control. At
    least a tenth of the trials, existing ones counted, repeat another process on another
    panel where that can be done, today's included. Avoided combinations are kept out. Settings that are hard to
    change stay the same over a panel; then today's process is on some of the panels only.

    Every level of settings in words is worked at least once, and every step that may be left out is left out once,
    since answers keep to what was worked. A plan that adds to existing trials also works the lowest and highest
    numbers that they did not.

    The settings make the mean variance of predictions small (I-optimality), or the determinant
    of the information large (D-optimality), with panels as random effects and squares and
    products of two factors as terms that may matter. Where the fit will follow roughness
    through the steps, its curves and the readings after each step count as well, and the finish is
    foretold where it is likely to lie at the edge of the goal. Run order and patches
    are drawn at random within each panel.

    References
    ----------
    DuMouchel, W. and Jones, B. (1994). A simple Bayesian modification of D-optimal designs
    to reduce dependence on an assumed model. Technometrics 36, 37-47. Box, G. E. P., Hunter, J. S.
    and Hunter, W. G. (2005). Statistics for Experimenters, 2nd ed.: the textbooks' plans (from memory).

    Examples
    --------
    >>> study = Study.from_toml('''
    ... title = "Doors"
    ... pass_means = "one direction, 50 % overlap"
    ... [[step]]
    ... name = "cut"
    ... pad = ["wool", "foam"]
    ... passes = { lowest = 1, highest = 5 }
    ... [goal]
    ... faults = { at_most = 0 }
    ... assurance = 0.9
    ... [today]
    ... cut_pad = "foam"
    ... cut_passes = 3
    ... ''')
    >>> plan = plan_trials(study, trials=6, panels=2, seed=1)
    >>> plan[["cut_pad", "cut_passes", "panel", "patch"]]
      cut_pad  cut_passes panel  patch
    0    foam           3     1      1
    1    foam           5     1      3
    2    wool           2     1      2
    3    foam           3     2      2
    4    foam           1     2      1
    5    wool           5     2      3
    >>> plan["why"].tolist()[:2]
    ["control: today's process", 'spreads the settings: most cut passes']

    What does not fit is answered in words:

    >>> plan_trials(study, trials=30, panels=2, seed=1)
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: 30 trials do not fit on 2 panels of 8 patches (room for 16). ...
    """
    _check(study, trials, panels, seed, kind, aim)
    seed = int(np.random.SeedSequence().generate_state(1)[0]) if seed is None else int(seed)
    rng = np.random.default_rng(seed)
    before, panels_before = worked_before(study, existing)
    design: dict[str, Any] = {"kind": kind}
    cautions: list[str] = []
    if kind == "best":
        criterion = criterion_of(study)
        layout = lay_out(study, trials, panels, before, panels_before)
        if layout.control.all():
            raise PlanError(
                f"{trials} trials on {panels} panels leave room only for today's process, which runs on every panel. "
                "Plan more trials, or fewer panels."
            )
        known = criterion.information(before, panels_before)
        values = _settings(study, criterion, layout, known, before, aim, rng)
        cautions = _not_reached(Worked(study, np.vstack([before, values])))
        design["aim"] = aim
    else:
        criterion = Criterion(study)
        blocked = block(
            study,
            criterion,
            designs_of(study, kind),
            trials,
            panels,
            before=before,
            panels_before=panels_before,
            rng=rng,
        )
        values, layout, design, cautions = blocked.values, blocked.layout, blocked.facts, blocked.cautions
    design |= _measures(criterion, values, layout, criterion.information(before, panels_before))
    # A panel whose trials no longer count keeps its label all the same.
    labels = new_panels(panels, [] if existing is None else existing["panel"].astype(str).tolist())
    sheet = _sheet(study.basis, values, layout, labels, rng)
    sheet.attrs["seed"] = seed
    sheet.attrs["cautions"] = (*_cautions(study, criterion, layout, labels, len(before)), *cautions)
    sheet.attrs["design"] = design
    sheet.attrs["day"] = run_day(sheet, study).to_dict()
    return sheet


def new_panels(count: int, taken: Iterable[Any]) -> list[str]:
    """
    Return labels for new panels, counting on from the highest number in use.

    Examples
    --------
    >>> new_panels(2, [])
    ['1', '2']
    >>> new_panels(2, ["1", "4", "door"])
    ['5', '6']
    >>> new_panels(1, ["V1", "V2"])
    ['V3']
    """
    numbered = [found for t in taken if (found := re.fullmatch(r"(.*?)(\d+)(?:\.0)?", str(t)))]
    stem = numbered[0][1] if numbered else ""
    first = max((int(found[2]) for found in numbered if found[1] == stem), default=0) + 1
    return [f"{stem}{first + k}" for k in range(count)]


# --- what was asked for -----------------------------------------------------------------------


def _check(study: Study, trials: Any, panels: Any, seed: Any, kind: Any, aim: Any) -> None:
    mistakes = []
    for name, value in (("trials", trials), ("panels", panels)):
        if not is_whole(value) or value < 1:
            mistakes.append(f"{name} is {value!r}; it must be a whole number, 1 or more.")
    if seed is not None and (not is_whole(seed) or seed < 0):
        mistakes.append(f"seed is {seed!r}; it must be a whole number, 0 or more, or left out.")
    if kind not in KINDS:
        mistakes.append(f'kind is {kind!r}; kinds of plan are {", ".join(KINDS)}. Leave kind out for "best".')
    if aim not in AIMS:
        mistakes.append(f'aim is {aim!r}; it is "finish" or "settings". Leave aim out for "finish".')
    if not mistakes and trials < panels:
        mistakes.append(
            f"{trials} trials do not reach {panels} panels: every panel needs one at least. "
            "Plan more trials, or fewer panels."
        )
    elif not mistakes and trials > panels * study.patches:
        room, needed = panels * study.patches, math.ceil(trials / study.patches)
        mistakes.append(
            f"{trials} trials do not fit on {panels} panels of {study.patches} patches (room for {room}). "
            f"Take {needed} panels, or mend patches in [panel] of the study file."
        )
    if mistakes:
        raise PlanError(mistakes)


def worked_before(study: Study, existing: pd.DataFrame | None) -> tuple[np.ndarray, np.ndarray]:
    """Return the processes and panels of existing trials that count: not spoiled, nor outside the question."""
    if existing is None:
        return np.empty((0, len(study.basis.factors))), np.empty(0, object)
    if "status" in existing.columns:
        existing = existing[~existing["status"].isin(["spoiled", "outside"])]
    require_places(existing, "existing", "panel")
    return study.basis.values(existing), existing["panel"].astype(str).to_numpy(object)


# --- the settings -------------------------------------------------------------------------------


def _settings(
    study: Study,
    criterion: Criterion,
    layout: Layout,
    known: np.ndarray,
    before: np.ndarray,
    aim: str,
    rng: np.random.Generator,
) -> np.ndarray:
    """Return the process of every row."""
    basis = study.basis
    given = np.full((len(layout.panel), len(basis.factors)), np.nan)
    if study.today is not None:
        given[layout.control] = basis.row(study.today)
    problem = Problem(
        levels=basis.levels,
        units=layout.units,
        given=given,
        fixed=layout.control,
        weight=criterion.weight(*layout.groups),
        prior=criterion.prior + known,
        matrix=criterion.matrix,
        allowed=lambda values: basis.admissible(basis.canonical(values)),
        starts=np.vstack([criterion.processes, given[layout.control][:1]]),
        readings=criterion.readings,
        moments=criterion.moments() if aim == "finish" else None,
    )
    with progress.bar(_STARTS) as stage:
        values, _ = exchange(
            problem, starts=_STARTS, rng=rng, told=lambda k: stage(f"choosing trials, start {k} of {_STARTS}")
        )
        values = covered(problem, values, lambda v: _missing(study, before, basis.canonical(v)))
    return basis.canonical(values)


def _missing(study: Study, before: np.ndarray, values: np.ndarray) -> list[tuple[int, float]]:
    """
    Return what a plan has to work and does not: column of a factor, and level.

    A first plan each level in words, and each step left out that may be; how far numbers reach is left to
    what tells most. A plan that adds to trials works their ends too: that is how what they did not reach is judged.
    """
    untried = Worked(study, np.vstack([before, values])).untried
    first = not len(before)
    return [(j, v) for j, v in untried if not (first and study.factors[j].numeric and v > 0)]


def _not_reached(worked: Worked) -> list[str]:
    """Say what of the study would still be worked in no trial."""
    if not worked.beyond:
        return []
    return [
        f"In the study, but in no trial of this plan: {show.listed(worked.beyond)}. No process with that is recommended until one "
        "is worked. Plan more trials if it may matter."
    ]


def _measures(
    criterion: Criterion, values: np.ndarray, layout: Layout, known: np.ndarray
) -> dict[str, float]:
    """Return how well settings are told apart (D) and how ill the finish is foretold (I) by these and run trials."""
    x = criterion.matrix(values)
    information = criterion.prior + known + x.T @ criterion.weight(*layout.groups) @ x
    return {
        "D": float(np.exp(np.linalg.slogdet(information)[1] / len(information))),
        "I": float(np.vdot(np.linalg.inv(information), criterion.moments())),
    }


# --- the sheet ------------------------------------------------------------------------------------


def _sheet(
    basis: Basis, values: np.ndarray, layout: Layout, labels: list[str], rng: np.random.Generator
) -> pd.DataFrame:
    """Return the rows in run order, patches and order drawn at random within each panel."""
    order, patches, halves = [], [], []
    for panel in range(len(labels)):
        first = 0
        # Which half of the plan becomes the first half of the panel is drawn too.
        for place, half in enumerate(rng.permutation(np.unique(layout.half[layout.panel == panel]))):
            rows = np.flatnonzero((layout.panel == panel) & (layout.half == half))
            order.append(rng.permutation(rows))
            patches.append(first + 1 + rng.permutation(len(rows)))
            halves.append(np.full(len(rows), place + 1))
            first += len(rows)
    row = np.concatenate(order)
    sheet = basis.frame(values[row])
    sheet["panel"] = [labels[p] for p in layout.panel[row]]
    if layout.halved:
        sheet["half_panel"] = np.concatenate(halves)
    sheet["patch"] = np.concatenate(patches)
    sheet["run_order"] = np.arange(1, len(row) + 1)
    sheet["why"] = _reasons(basis, values[row], layout.control[row], sheet["panel"].tolist())
    return sheet


def _reasons(basis: Basis, values: np.ndarray, control: np.ndarray, panels: list[str]) -> list[str]:
    """Return in plain words why each trial is in the plan."""
    first: dict[bytes, int] = {}
    reasons = []
    for k, row in enumerate(values):
        before = first.setdefault(row.tobytes(), k)
        if control[k]:
            reasons.append(CONTROL)
        elif before < k:
            reasons.append(f"repeat of run {before + 1} on panel {panels[before]}")
        else:
            reasons.append("spreads the settings: " + _extremes(basis, row))
    return reasons


def _extremes(basis: Basis, row: np.ndarray) -> str:
    """Say where a process lies in the studied ranges, as 'most cut passes, polish left out'."""
    said = []
    for factor, value in zip(basis.factors, row, strict=True):
        if not factor.numeric or np.isnan(value):
            continue
        amount = basis.study.step(factor.step).amount
        if value == 0 and amount is factor:
            said.append(f"{factor.step} left out")
        elif value in (factor.levels[0], factor.levels[-1]):
            low, high = ("fewest", "most") if factor.kind == "count" else ("lowest", "highest")
            said.append(f"{low if value == factor.levels[0] else high} {factor.label()}")
    return ", ".join(said) or "within the ranges"


def _cautions(
    study: Study, criterion: Criterion, layout: Layout, labels: list[str], before: int
) -> tuple[str, ...]:
    """Return what this plan cannot do, and the study's own cautions."""
    said = list(study.cautions)
    trials, panels = len(layout.panel), len(labels)
    said += too_few(trials + before, criterion.differences)
    if study.today is None:
        said.append(
            "The study has no [today], so no process runs on every panel as a control, and nothing says what a "
            "new process would save. Add the process in use now."
        )
    elif layout.control.sum() < panels:
        shown = " and ".join(labels[p] for p in np.unique(layout.panel[layout.control]))
        said.append(
            f"Today's process runs only on panel {shown}, not on all {panels}: the hard-to-change settings of the "
            "others are not held at today's."
            if shown
            else "Today's process runs on no panel: its hard-to-change settings are not among this plan's. What a new "
            "process would save will be seen across panels only."
        )
    if panels < 3 and before == 0:
        said.append(
            f"{panels} panel{'s say' if panels > 1 else ' says'} next to nothing about how panels differ, and the next "
            "job is on a new one. Plan four or more."
        )
    for name, (columns, left) in layout.between.items():
        if left < 3:
            step = study.step(study.settings[name].step)
            said.append(
                f"{study.settings[name].label()} changes only by {step.unit}: {columns} difference{'s' if columns > 1 else ''} "
                f"to be learnt leave{'s' if columns == 1 else ''} {show.counted(max(left, 0), 'degree')} of freedom between, fewer than "
                f"three. Plan {panels + 3 - left} panels, or make it easier to change."
            )
    return tuple(said)

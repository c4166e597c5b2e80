"""The day at the bench: who waits for what, change-overs, minutes, vibration, where patches lie.

From a sheet in run order it lays out one person's work by a rule that can be kept at the bench:
read what has settled, else go on with what is open, else begin the next patch. Which trials to run and in which order is decided elsewhere;
minutes are guesses until trials are timed, and each guess is named.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from finishlab.errors import PlanError
from finishlab.numbers import is_number
from finishlab.plan.patch_places import require_places
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from finishlab.study import Step, Study


#: Minutes of one pass over a section: 0.4 m x 0.4 m at 50 mm/s and 50 % overlap, with a pad of
#: 0.14 m, take 46 s (reckoned; the speed is common practice, no source).
PASS_MINUTES = 0.75
#: Minutes to wipe and read a patch once (common practice, no source).
READING_MINUTES = 2.0
#: Minutes of a working day.
_DAY = 480.0
#: Panels a bench holds while patches settle. More saves next to nothing; one costs an hour a day.
_PANELS_OPEN = 2
#: Daily hand-arm vibration, m/s2 A(8): exposure action and limit value of directive 2002/44/EC
#: and the UK Control of Vibration at Work Regulations 2005.
ACTION, LIMIT = 2.5, 5.0
#: Vibration of random-orbit sanders, m/s2, as a university's safety page gives it.
TYPICAL_VIBRATION = (7.0, 10.0)


@dataclass(frozen=True, eq=False)
class RunDay:
    """
    What working a sheet takes.

    Made by `run_day`. All times are minutes, from the first grip at 0.

    Attributes
    ----------
    schedule : DataFrame
        One row a grip: ``start``, ``minutes``, ``doing``, ``run_order``, ``panel``, ``patch``.
    minutes : float
        Minutes from first grip to last reading, by one person without breaks.
    one_after_another : float
        Minutes where every patch is finished before the next is begun.
    machine_minutes, changeover_minutes, reading_minutes, idle_minutes : float
        Minutes that these are made of.
    changeovers : int
        How often tool, pad, grit or product are changed.
    most_open : int
        The largest number of patches begun and not yet finished, at any time.
    maps : dict of str -> dict of int -> (int, int)
        For each panel, row and column of every patch, from 1, top left first.
    guesses : dict of str -> float
        Minutes assumed: ``pass_minutes`` and ``reading_minutes``.
    cautions : tuple of str
    """

    schedule: pd.DataFrame
    minutes: float
    one_after_another: float
    machine_minutes: float
    changeover_minutes: float
    reading_minutes: float
    idle_minutes: float
    changeovers: int
    most_open: int
    maps: dict[str, dict[int, tuple[int, int]]]
    guesses: dict[str, float]
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say how long it takes and what the time goes into."""
        saved = self.one_after_another - self.minutes
        words = f"about {_hours(self.minutes)} for one person"
        if saved >= 1:
            words += (
                f", {_hours(saved)} less than one patch after another: read first what has settled, else go on with an "
                f"open patch, else begin the next (up to {self.most_open} open at once)"
            )
        return (
            f"{show.begun(words)}. It is {_hours(self.machine_minutes)} of machine work, "
            f"{show.counted(self.changeovers, 'change-over')} ({_hours(self.changeover_minutes)}), "
            f"{_hours(self.reading_minutes)} of wiping and reading, {_hours(self.idle_minutes)} of waiting. "
            f"Guessed: {self.guesses['pass_minutes']:g} minutes a pass, {self.guesses['reading_minutes']:g} a reading."
        )

    def table(self) -> pd.DataFrame:
        """Return the schedule, one row a grip."""
        return self.schedule.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything but the schedule as plain Python."""
        names = ("minutes", "one_after_another", "machine_minutes", "changeover_minutes", "reading_minutes")
        return {
            **{name: float(getattr(self, name)) for name in (*names, "idle_minutes")},
            "changeovers": self.changeovers,
            "most_open": self.most_open,
            "maps": {panel: dict(places) for panel, places in self.maps.items()},
            "guesses": dict(self.guesses),
            "cautions": list(self.cautions),
        }

    def plot(self, panel: str | None = None, ax: Axes | None = None) -> Axes:
        """Draw where the patches of one panel lie, the first when none is named."""
        from finishlab.figures import plan_figures

        panel = next(iter(self.maps), "") if panel is None else str(panel)
        if panel not in self.maps:
            raise PlanError(f"there is no panel '{panel}' to draw. Panels: {', '.join(self.maps) or 'none'}.")
        mine = self.schedule[self.schedule["panel"] == panel].drop_duplicates("patch")
        return plan_figures.panel_map(
            panel, self.maps[panel], dict(zip(mine["patch"], mine["run_order"], strict=True)), ax=ax
        )

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def run_day(
    sheet: pd.DataFrame,
    study: Study,
    *,
    pass_minutes: float = PASS_MINUTES,
    reading_minutes: float = READING_MINUTES,
    vibration: float | None = None,
) -> RunDay:
    """
    Lay out the work of a sheet: waits used, change-overs, minutes, vibration.

    Parameters
    ----------
    sheet : DataFrame
        As `plan_trials` gives.
    study : Study
    pass_minutes : float
        Minutes of one pass over a patch. Steps set in seconds take those.
    reading_minutes : float
        What wiping and reading a patch once takes, minutes.
    vibration : float, optional
        Declared hand-arm vibration of the machine, m/s². Left out, a typical range stands in.

    Returns
    -------
    RunDay

    Raises
    ------
    PlanError
        A number is not above zero; or a trial does not say its panel, patch or place in the order of work.
    OutsideStudy
        A trial has a setting that the study does not have.

    References
    ----------
    Daily exposure A(8) = a sqrt(T / 8 h), ISO 5349-1; action and limit value: directive
    2002/44/EC.

    Examples
    --------
    >>> import finishlab as fl
    >>> day = fl.run_day(sheet, bench.study)
    >>> day.minutes < day.one_after_another
    True
    >>> fl.run_day(sheet, bench.study, vibration=0)
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: vibration is 0; it must be a number above zero, m/s². Read it in the machine's papers.
    """
    wrong = [
        f"{name} is {value!r}; it must be a number of minutes above zero."
        for name, value in (("pass_minutes", pass_minutes), ("reading_minutes", reading_minutes))
        if not (is_number(value) and value > 0)
    ]
    if vibration is not None and not (is_number(vibration) and vibration > 0):
        wrong.append(
            f"vibration is {vibration!r}; it must be a number above zero, m/s². Read it in the machine's papers."
        )
    if wrong:
        raise PlanError(wrong)
    require_places(sheet, "the sheet", "panel", "patch", "run_order")
    study.basis.values(sheet)  # says what is wrong with the settings, or that one is missing
    import pandas as pd

    chains = [_chain(study, row, pass_minutes) for row in sheet.to_dict("records")]
    panels = sheet["panel"].astype(str).tolist()
    person = _work(chains, panels, study.reading.wait_minutes, reading_minutes)
    alone = _work(chains, panels, study.reading.wait_minutes, reading_minutes, one_by_one=True)
    machine = sum(grip.minutes for chain in chains for grip in chain)
    rows = [
        {
            "start": start,
            "minutes": minutes,
            "doing": doing,
            "run_order": int(sheet["run_order"].iloc[k]),
            "panel": panels[k],
            "patch": int(sheet["patch"].iloc[k]),
        }
        for start, minutes, doing, k in person.grips
    ]
    return RunDay(
        schedule=pd.DataFrame(rows, columns=["start", "minutes", "doing", "run_order", "panel", "patch"]),
        minutes=person.now,
        one_after_another=alone.now,
        machine_minutes=machine,
        changeover_minutes=person.changing,
        reading_minutes=person.reading,
        idle_minutes=person.idle,
        changeovers=person.changeovers,
        most_open=person.most_open,
        maps={panel: patch_map(study.patches) for panel in dict.fromkeys(panels)},
        guesses={"pass_minutes": float(pass_minutes), "reading_minutes": float(reading_minutes)},
        # What takes longer than a day is spread over as many as it takes.
        cautions=_vibration(machine * min(1.0, _DAY / person.now) if person.now else 0.0, vibration),
    )


def patch_map(patches: int) -> dict[int, tuple[int, int]]:
    """
    Return row and column of every patch of a panel, as near to twice as wide as high as can be.

    Examples
    --------
    >>> patch_map(8)[1], patch_map(8)[5]
    ((1, 1), (2, 1))
    """
    columns = math.ceil(math.sqrt(2 * patches)) if patches > 2 else patches
    return {p: ((p - 1) // columns + 1, (p - 1) % columns + 1) for p in range(1, patches + 1)}


def exposure(vibration: float, minutes: float) -> float:
    """
    Return daily vibration exposure A(8), m/s².

    Examples
    --------
    At 7 m/s² the action value of 2.5 is reached after about an hour, the limit of 5 after four:

    >>> round(exposure(7, 61), 1), round(exposure(7, 245), 1)
    (2.5, 5.0)
    >>> exposure(7, 0)
    0.0
    """
    return vibration * math.sqrt(minutes / _DAY)


@dataclass(frozen=True)
class _Grip:
    """One step worked on one patch."""

    step: Step
    kit: tuple[Any, ...]
    minutes: float
    read: bool


def _chain(study: Study, row: Mapping[Any, Any], pass_minutes: float) -> list[_Grip]:
    """Return the steps of one trial, those left out apart."""
    chain = []
    for step in study.steps:
        if show.left_out(step, row):
            continue
        amount = 1.0 if step.amount is None else float(show.value_of(step.amount, row))
        seconds = step.amount is not None and step.amount.name == "seconds"
        kit = (step.name, *(show.value_of(s, row) for s in step.settings if s is not step.amount))
        read = step.name in study.reading.after or step is study.steps[-1]
        chain.append(_Grip(step, kit, amount / 60 if seconds else amount * pass_minutes, read))
    if chain and not chain[-1].read:
        # The finish is read even where the last step is left out.
        last = chain[-1]
        chain[-1] = _Grip(last.step, last.kit, last.minutes, True)
    return chain


@dataclass
class _Person:
    """One person at the bench, grip by grip."""

    now: float = 0.0
    kit: tuple[Any, ...] = ()
    changeovers: int = 0
    changing: float = 0.0
    reading: float = 0.0
    idle: float = 0.0
    most_open: int = 0
    grips: list[tuple[float, float, str, int]] = field(default_factory=list)

    def take(self, trial: int, grip: _Grip) -> None:
        if grip.kit != self.kit:
            if self.kit:
                self.changeovers += 1
                self.changing += grip.step.changeover_minutes
                self.now += grip.step.changeover_minutes
            self.kit = grip.kit
        self.grips.append((self.now, grip.minutes, show.step_name(grip.step), trial))
        self.now += grip.minutes

    def read(self, trial: int, step: Step, minutes: float) -> None:
        self.grips.append((self.now, minutes, f"wipe and read after {show.step_name(step)}", trial))
        self.now += minutes
        self.reading += minutes


def _work(
    chains: list[list[_Grip]],
    panels: list[str],
    wait: float,
    reading_minutes: float,
    *,
    one_by_one: bool = False,
) -> _Person:
    """Work trials in order: the reading longest due first, then what is open, then the next patch."""
    person = _Person()
    waiting = [k for k, chain in enumerate(chains) if chain]
    at = dict.fromkeys(waiting, 0)  # next grip of each trial
    due: dict[int, float] = {}  # trials that settle, and when they can be read
    opened: list[int] = []

    def may_begin() -> bool:
        busy = {panels[k] for k in (*opened, *waiting[:1])}
        return bool(waiting) and not (opened and (one_by_one or len(busy) > _PANELS_OPEN))

    while waiting or opened:
        settled = min(due, key=lambda k: due[k], default=None)
        workable = [k for k in opened if k not in due]
        if settled is not None and due[settled] <= person.now:
            del due[settled]
            person.read(settled, chains[settled][at[settled] - 1].step, reading_minutes)
            if at[settled] == len(chains[settled]):
                opened.remove(settled)
        elif workable or may_begin():
            if not workable:
                opened.append(waiting.pop(0))
                person.most_open = max(person.most_open, len(opened))
            trial = workable[0] if workable else opened[-1]
            grip = chains[trial][at[trial]]
            person.take(trial, grip)
            at[trial] += 1
            if grip.read:
                due[trial] = person.now + wait
        else:
            nearest = min(due.values())
            person.idle += nearest - person.now
            person.now = nearest
    return person


def _vibration(minutes: float, declared: float | None) -> tuple[str, ...]:
    """Say what the machine work of one day comes to, beside the action and the limit value."""
    low, high = TYPICAL_VIBRATION if declared is None else (declared, declared)
    least, most = exposure(low, minutes), exposure(high, minutes)
    if most < ACTION:
        return ()
    over = f"the exposure action value of {ACTION:g}"
    if most >= LIMIT:
        over += f" and the exposure limit value of {LIMIT:g}"
    reach = f"{least:.1f}" if declared is not None else f"{least:.1f} to {most:.1f}"
    source = (
        f"at {declared:g} m/s²"
        if declared is not None
        else f"at {low:g} to {high:g} m/s², typical of random-orbit sanders (use your machine's declared value)"
    )
    return (
        f"Vibration: {_hours(minutes)} of machine work in one person's day (8 hours at most) come to {reach} m/s² A(8) {source}. That reaches "
        f"{over} m/s² (directive 2002/44/EC); at {high:g} m/s² the action value is reached after "
        f"{math.floor(_DAY * (ACTION / high) ** 2)} minutes a day. Spread the trials over days or people, and follow local "
        "rules. This is a caution, never a permission.",
    )


def _hours(minutes: float) -> str:
    if minutes < 90:
        return f"{math.ceil(minutes - 1e-9)} minutes"
    return f"{minutes / 60:.1f} hours"


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

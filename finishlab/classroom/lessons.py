"""Lessons for a class: one idea, one sentence with its number, one figure.

Two kinds: what a fitted model says of the shop's own trials (passes, grits, technicians), and what a simulation with
a stated seed shows of reading and counting (wipe, panels). What is invented says so in its source. Whether a single
pass is worth it is `step_counts.py`'s; nothing is fitted here.

References
----------
Kish, L. (1965). Survey Sampling. Wiley: with a share rho of the variance between panels, m patches of one panel
are worth m / (1 + (m - 1) rho) patches of as many panels (design effect; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.classroom.step_counts import step_counts
from finishlab.errors import ModelError
from finishlab.model import FinishModel, pass_curve, variance_shares
from finishlab.model.scratches import scratch_levels
from finishlab.model.spread_shares import in_words
from finishlab.model.straight_scale import straighten
from finishlab.plain import plain_rows
from finishlab.practice.invented_shop import PracticeBench
from finishlab.study import RESPONSES
from finishlab.trade import abrasives
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: What an interval holds, and from which chance on something is sure.
_COVER = 0.9
_ENDS = (1 - _COVER) / 2, (1 + _COVER) / 2
#: Lift of a reading by the oils of a polish, and its spread from patch to patch, GU. Invented: the trade says that
#: oils and fillers lift the gloss until removed (common practice, no source), and nobody says by how much.
_OIL_GU, _OIL_SD = 2.5, 0.7
#: The invented shop that is read with and without the wipe, and its two processes.
_SHOP_KIND, _SHOP_SEED = 1, 3
_POLISH = (3, 4)
#: The invented shop of the panels: process average and spread of patches (all in all) in GU, share of the variance
#: that is the panel's, patches in a set.
_AVERAGE, _SPREAD, _PANEL_SHARE, _PATCHES = 85.0, 1.0, 0.5, 10
#: Sets of patches that are simulated, and those that are drawn.
_REPEATS, _DRAWN = 10_000, 20
#: A share's interval wider than this tells little.
_WIDE = 0.4
_LESSONS = ("passes", "grits", "wipe", "panels", "technicians")


@dataclass(frozen=True, eq=False)
class Lesson:
    """
    One lesson: a sentence with its number, and the figure that shows it.

    Made by `lesson`.

    Attributes
    ----------
    topic : str
    says : str
        The sentence that the figure shows.
    note : str
        What the instructor may add: how it was found, and what it does not mean.
    source : str
        Where the numbers come from: which study's trials, or what is invented.
    cautions : tuple of str
        What the trials cannot tell.
    """

    topic: str
    says: str
    note: str
    source: str
    cautions: tuple[str, ...]
    _table: pd.DataFrame = field(repr=False)
    _drawn: dict[str, Any] = field(repr=False)

    def text(self) -> str:
        """Return the sentence, what may be added, the source, and the cautions."""
        return " ".join([self.says, self.note, self.source, *self.cautions])

    def table(self) -> pd.DataFrame:
        """
        Return the numbers of the figure.

        One row a count of passes, a grit and count, a patch before and after the wipe, a way to work a set of patches, or a
        technician, by topic.
        """
        return self._table.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return sentence, note, source, cautions and numbers as plain Python."""
        return {
            "topic": self.topic,
            "says": self.says,
            "note": self.note,
            "source": self.source,
            "cautions": list(self.cautions),
            "rows": plain_rows(self._table),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw it, with the sentence above."""
        from finishlab.figures import lesson_figures

        drawn: Axes = getattr(lesson_figures, self.topic)(self._table, **self._drawn, title=self.says, ax=ax)
        return drawn

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def lesson(topic: str, model: FinishModel | None = None, *, seed: int = 1) -> Lesson:
    """
    Make a lesson on one topic.

    Parameters
    ----------
    topic : {"passes", "grits", "wipe", "panels", "technicians"}
        What each further pass adds; the scratch each grit leaves and what removes it; why a reading needs the wipe; why a
        panel is not ten trials; what of the spread is the technician's.
    model : FinishModel, optional
        Of the shop's trials: needed for passes, grits and technicians.
    seed : int, optional
        Of what is simulated, for wipe and panels; 0 or more.

    Returns
    -------
    Lesson

    Raises
    ------
    ModelError
        There is no such topic, the topic needs a model, or the model's trials cannot tell of it.

    References
    ----------
    Kish, L. (1965), Survey Sampling (design effect; from memory). Roughness from gloss: Bennett & Porteus (1961), J. Opt. Soc. Am.
    51, 123 (from memory). Shares of a spread: Patterson, H. D. & Thompson, R. (1971), Biometrika 58, 545 (from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> panels = fl.lesson("panels", seed=1)
    >>> panels.says
    '10 patches of one panel: the 90 % interval holds the true average in 41 of 100 repeats. One patch on each of 10 panels: in 90.'
    >>> panels.table()["worth_patches"].round(1).tolist()
    [1.8, 10.0]
    >>> fl.lesson("passes")
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: the lesson on passes is about a shop's own trials, and no model is given. Call it with what fit returns.
    """
    if topic not in _LESSONS:
        raise ModelError(f"there is no lesson on {topic!r}. There are: {', '.join(_LESSONS)}.")
    if topic in ("wipe", "panels"):
        if not isinstance(seed, int) or isinstance(seed, bool) or seed < 0:
            raise ModelError(f"seed is {seed!r}; it must be a whole number, 0 or more.")
        return _wipe(seed) if topic == "wipe" else _panels(seed)
    if model is None:
        raise ModelError(
            f"the lesson on {topic} is about a shop's own trials, and no model is given. Call it with what fit returns."
        )
    return {"passes": _passes, "grits": _grits, "technicians": _technicians}[topic](model)


# --- from a fitted model ---------------------------------------------------------------------------------


def _passes(model: FinishModel) -> Lesson:
    """Follow the first count that the study varies: the reading pass by pass, and what each pass adds."""
    over = next((f.factor for f in model.study.factors if f.kind == "count"), None)
    if over is None:
        raise ModelError(
            "this study varies no count of passes. Give a step passes with a lowest and a highest."
        )
    ladder = step_counts(model, over)
    table = ladder.table()
    curve = pass_curve(model, over).table()
    table.insert(2, "mean_low", curve["mean_low"])
    table.insert(3, "mean_high", curve["mean_high"])
    words, unit = RESPONSES[ladder.response]
    unit = show.spaced(unit)
    rows = table.to_dict("records")

    # More gloss is the gain; of haze and faults less is.
    gains, costs = ("adds", "costs") if ladder.response.startswith("gloss") else ("takes off", "adds")

    def change(k: int) -> str:
        size = show.number(abs(rows[k]["gain"]), 1)
        done = costs if rows[k]["gain"] < 0 and float(size) > 0 else gains
        before, now = (show.plain_number(rows[i][over]) for i in (k - 1, k))
        return f"from {before} to {now} {done} {size}{unit}"

    says = f"{show.begun(show.label(over))}: {change(1)} of {words}"
    if len(rows) > 2:
        says += f", {change(len(rows) - 1)}"
    each = (rows[-1]["minutes"] - rows[0]["minutes"]) / (len(rows) - 1)
    note = (
        f"{ladder.enough} Every further one takes about {show.number(each, 1)} minutes of a section, whatever it adds. The rest is held at {ladder.held}; the bars "
        "hold 90 %. Scratches go by a share of what is left, so each pass has less to take than the one before."
    )
    return Lesson(
        "passes", f"{says}.", note, _trials(model), (), table, {"factor": over, "response": ladder.response}
    )


def _grits(model: FinishModel) -> Lesson:
    """Show what each grit leaves, and the passes of the next step that take the coarsest down to the finest."""
    import pandas as pd

    found = scratch_levels(model)
    low, middle, high = np.quantile(found.drawn, [_ENDS[0], 0.5, _ENDS[1]], axis=0)
    grains = [abrasives.grade(g).grain_um for g in found.grits]
    table = pd.DataFrame(
        {
            "grit": np.repeat(found.grits, len(found.passes)),
            "grain_um": np.repeat([np.nan if g is None else g for g in grains], len(found.passes)),
            found.after: np.tile(found.passes, len(found.grits)),
            "roughness_um": middle.ravel(),
            "roughness_um_low": low.ravel(),
            "roughness_um_high": high.ravel(),
        }
    )
    coarse, fine = found.grits[0], found.grits[-1]
    name = show.label(found.after)
    says = f"{coarse} leaves scratches of {middle[0, 0]:.3f} µm"
    needed = None
    if len(found.grits) > 1:
        says += f", {fine} of {middle[-1, 0]:.3f} µm"
        # Drawn together: the chance that the coarse grit's scratches are down to what the fine one left.
        down = (found.drawn[:, 0] <= found.drawn[:, -1, :1]).mean(axis=0) >= _COVER
        needed = float(found.passes[int(down.argmax())]) if down.any() else None
        if needed is None:
            says += f": no studied count of {name} is sure to take {coarse} down to that."
        elif needed == 0:
            says += f": {coarse} is surely no rougher."
        else:
            one = needed == 1 and name.endswith("passes")
            count = (
                f"1 {name.removesuffix('es')} takes" if one else f"{show.plain_number(needed)} {name} take"
            )
            says += f": {count} {coarse} down to what {fine} leaves."
    else:
        says += f"; {show.plain_number(found.passes[-1])} {name} leave {middle[0, -1]:.3f} µm of them."
    note = (
        f"Held at {found.held}. Roughness is what the optics make of the gloss (rms), not the depth that a stylus would read; "
        "a single deep scratch does not show in it, so look under the lamp before the next step. Sure means nine chances in ten."
    )
    unknown = [g for g, size in zip(found.grits, grains, strict=True) if size is None]
    cautions = []
    if unknown:
        cautions.append(f"No published grain size of {show.listed(unknown)} was verified.")
    if not found.read:
        cautions.append(
            "Nothing was read straight from the sanding: what a grit leaves is mostly a stated guess. Read it after sanding, too."
        )
    return Lesson(
        "grits", says, note, _trials(model), tuple(cautions), table, {"factor": found.after, "needed": needed}
    )


def _technicians(model: FinishModel) -> Lesson:
    """Show how far each technician's patches lie from what the model expects of their processes."""
    import pandas as pd

    shares = variance_shares(model)
    part = straighten(model.response(shares.response))
    sources = {row["source"]: row for row in shares.to_dict()["parts"]}
    if "technician" not in sources:
        raise ModelError(
            "these trials do not tell technicians apart. Let two or more work the same processes and write down who did, or "
            "practise on PracticeBench(kind=9)."
        )
    words, unit = RESPONSES[shares.response]
    who = part.groups["technician"]
    off = part.y - part.scale.reading(part.about)
    # 0 stands for patches whose technician nobody wrote down.
    numbers = [int(n) for n in np.unique(who[who > 0])]
    sets = [off[who == n] for n in numbers]
    table = pd.DataFrame(
        {
            "technician": numbers,
            "patches": [len(s) for s in sets],
            "difference": [float(s.mean()) for s in sets],
            "spread": [float(s.std(ddof=1)) if len(s) > 1 else np.nan for s in sets],
        }
    )
    own = sources["technician"]
    ends = f"{show.number(100 * own['share_low'], 0)} to {show.number(100 * own['share_high'], 0)} %"
    seen = f"{in_words(own['share'])} is" if own["share"] > 0 else "none is seen to be"
    says = f"{show.begun(words)}: of the spread between jobs at the same settings, {seen} the technician's (90 % interval: {ends})."
    apart = float(np.ptp(table["difference"]))
    wide = own["share_high"] - own["share_low"] > _WIDE
    note = (
        f"{'That is a wide interval: these trials tell little of it; more panels by each would. ' if wide else ''}"
        f"The averages of {show.counted(len(numbers), 'technician')} lie {show.number(apart, 1)}{show.spaced(unit)} apart, each "
        "patch against what the model expects of its process. Technicians are numbers in this figure, not names: it is about the "
        "process, and no ranking of people."
    )
    drawn = {"sets": [s.tolist() for s in sets], "unit": unit, "label": words}
    return Lesson("technicians", says, note, _trials(model), shares.cautions, table, drawn)


def _trials(model: FinishModel) -> str:
    """Say whose trials these are."""
    return f"Trials: {model.study.title}."


# --- simulated -------------------------------------------------------------------------------------------


def _wipe(seed: int) -> Lesson:
    """Read patches of an invented shop before and after the wipe, worked with one pass fewer or more."""
    import pandas as pd

    bench = PracticeBench(kind=_SHOP_KIND, seed=_SHOP_SEED)
    plans = pd.DataFrame([bench.study.today] * len(_POLISH)).assign(polish_passes=list(_POLISH))
    fewer, more = bench.true_levels(plans)["gloss_20"]
    panels = [f"P{k}" for k in range(1, 5)]
    sheet = pd.concat([plans.iloc[[k] * len(panels)].assign(panel=panels) for k in range(len(_POLISH))])
    log = bench.work(sheet.reset_index(drop=True), seed=seed)
    after = log["gloss_20"].to_numpy(float)
    lift = np.random.default_rng(seed).normal(_OIL_GU, _OIL_SD, len(after)).clip(min=0)
    table = pd.DataFrame(
        {
            "panel": log["panel"].to_numpy(),
            "polish_passes": log["polish_passes"].to_numpy(float),
            "gloss_20_before": after + lift,
            "gloss_20_after": after,
        }
    )
    one_pass, lifted = float(more - fewer), float(lift.mean())
    says = (
        f"Before the wipe the same patch reads {show.number(lifted, 1)} GU higher; one more pass really brings "
        f"{show.number(one_pass, 1)} GU (invented readings)."
    )
    first, second = ((table["polish_passes"] == p).to_numpy() for p in _POLISH)
    fooled = int(
        (table["gloss_20_before"].to_numpy()[first] > table["gloss_20_after"].to_numpy()[second]).sum()
    )
    note = (
        f"On {fooled} of {show.counted(len(panels), 'panel')} the patch with {_POLISH[0]} polish passes, read before the wipe, beats "
        f"the one with {_POLISH[1]}, read after it. Wipe every patch in the same way before every reading, with what the coating "
        "maker accepts, and wait the same minutes."
    )
    source = (
        f"Invented: the shop (PracticeBench kind {_SHOP_KIND}, seed {_SHOP_SEED}), and a lift of {_OIL_GU} GU on average. That oils and "
        f"fillers lift the gloss is common practice, no source; by how much, test yourself. Seed {seed}."
    )
    return Lesson("wipe", says, note, source, (), table, {"truth": (float(fewer), float(more))})


def _panels(seed: int) -> Lesson:
    """Count how often intervals from one panel, and from as many panels, hold the average and the next panel."""
    import pandas as pd
    from scipy import stats

    rng, m = np.random.default_rng(seed), _PATCHES
    between, within = _SPREAD * np.sqrt(_PANEL_SHARE), _SPREAD * np.sqrt(1 - _PANEL_SHARE)
    t = float(stats.t.ppf(_ENDS[1], m - 1))
    rows: list[dict[str, Any]] = []
    shown = []
    for way, panels in ((f"{m} patches of one panel", 1), (f"{m} panels, one patch each", m)):
        luck = between * rng.standard_normal((_REPEATS, panels))
        read = _AVERAGE + luck + within * rng.standard_normal((_REPEATS, m))
        middle, half = read.mean(axis=1), t * read.std(axis=1, ddof=1) / np.sqrt(m)
        after = _AVERAGE + _SPREAD * rng.standard_normal(_REPEATS)  # a patch of the next panel
        effect = 1 + (m / panels - 1) * _PANEL_SHARE
        rows.append(
            {
                "way": way,
                "panels": panels,
                "holds_average_share": float((abs(middle - _AVERAGE) <= half).mean()),
                "holds_next_panel_share": float((abs(middle - after) <= half * np.sqrt(m + 1)).mean()),
                "design_effect": effect,
                "worth_patches": m / effect,
            }
        )
        shown.append({"way": way, "middle": middle[:_DRAWN].tolist(), "half": half[:_DRAWN].tolist()})
    one, many = (100 * r["holds_average_share"] for r in rows)
    asked = show.asked_percent(_COVER)
    says = (
        f"{m} patches of one panel: the {asked} interval holds the true average in {one:.0f} of 100 repeats. "
        f"One patch on each of {m} panels: in {many:.0f}."
    )
    note = (
        f"Where {show.asked_percent(_PANEL_SHARE)} of the variance is the panel's, {m} patches of one panel are worth "
        f"{rows[0]['worth_patches']:.1f} patches of different panels (Kish's design effect, 1 + (m - 1) rho). The {asked} interval for a patch of the "
        f"next panel holds it in {100 * rows[0]['holds_next_panel_share']:.0f} of 100 repeats against {100 * rows[1]['holds_next_panel_share']:.0f}. "
        f"{m} readings of one patch are worth less still: they are one trial."
    )
    source = (
        f"Invented: {_AVERAGE:.0f} GU on average, patches of different panels {_SPREAD:.0f} GU apart (standard deviation), half of the variance the panel's. "
        f"{_REPEATS:,} repeats, seed {seed}; the figure draws the first {_DRAWN}."
    )
    return Lesson("panels", says, note, source, (), pd.DataFrame(rows), {"sets": shown, "truth": _AVERAGE})

"""The questions that a fitted response is asked, each answered in one plain sentence."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.model.linear_view import LinearView, linear_view
from finishlab.model.response import INDEX_PRIOR, ResponseFit
from finishlab.statistics.box_cox import box_cox
from finishlab.study import RESPONSES
from finishlab.trade import optics
from finishlab.words.show import asked_percent, begun, counted, interval_text, number, spaced

if TYPE_CHECKING:
    import pandas as pd


#: A figure that fewer of the model's own draws reach is bad (common practice, no source).
ODD = 0.005
#: Half the width of a 90 % interval, in its spreads.
REACH = 1.645


@dataclass(frozen=True)
class Check:
    """
    One question and its answer.

    Attributes
    ----------
    question, response : str
    sentence : str
    caution : str
        Empty when nothing is wrong.
    facts : dict
        The numbers in the sentence, at full precision.
    """

    question: str
    response: str
    sentence: str
    caution: str = ""
    facts: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Asked:
    """One response's fit with what its questions need of the trials."""

    fit: ResponseFit
    done: pd.DataFrame

    @property
    def label(self) -> str:
        """What was read, in words."""
        return RESPONSES[self.fit.name][0]

    def size(self, value: float) -> str:
        """Return a size of the response with its unit."""
        unit = RESPONSES[self.fit.name][1]
        return number(value, 1) + spaced(unit)

    @cached_property
    def view(self) -> LinearView:
        """The linear view of the fit."""
        return linear_view(self.fit.posterior, len(self.fit.study.steps) - 1)

    @cached_property
    def trials(self) -> pd.DataFrame:
        """The trial of each last reading."""
        return self.done.iloc[self.fit.posterior.observed.trial[self.view.at]]

    @cached_property
    def panels(self) -> np.ndarray:
        """The panel of each last reading."""
        return self.trials["panel"].astype(str).to_numpy()

    @cached_property
    def order(self) -> np.ndarray:
        """The place of each last reading in the order of work; as listed where it was not logged."""
        if "run_order" in self.trials.columns and self.trials["run_order"].notna().all():
            return self.trials["run_order"].to_numpy(float)
        return np.arange(len(self.trials), dtype=float)

    @cached_property
    def expected(self) -> np.ndarray:
        """What the other trials say of each last reading."""
        return self.fit.left_out.expected

    @cached_property
    def luck(self) -> np.ndarray:
        """How far each trial lies from what the others say, in units of its spread."""
        return self.view.standardised(self.view.residual)

    @cached_property
    def near(self) -> np.ndarray:
        """Which trials read nearest to the goal: a third of them, three at least; all without a goal."""
        condition = self.fit.study.goal.get(self.fit.name)
        y = self.fit.left_out.y
        if condition is None:
            return np.ones(len(y), bool)
        edges = [v for v in (condition.at_least, condition.at_most) if v is not None]
        far = np.abs(y[:, None] - np.array(edges)).min(axis=1)
        return far <= np.sort(far)[min(max(len(y) // 3, 3), len(y)) - 1]

    @cached_property
    def one(self) -> float:
        """One spread of a trial near the goal, in units of the response."""
        return float(np.median(self.fit.left_out.sd[self.near]))

    @cached_property
    def names(self) -> list[str]:
        """Return what a person knows each trial by: its number; the row it stands in where none was given."""
        rows = self.fit.left_out.row
        if "trial" not in self.trials.columns:
            return [f"row {row}" for row in rows]
        numbers = self.trials["trial"]
        none = numbers.isna()
        return [
            f"row {row}" if gap else f"trial {number:g}" if isinstance(number, float) else f"trial {number}"
            for row, number, gap in zip(rows, numbers, none, strict=True)
        ]


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


def _tied(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return the size of the correlation of `x`, shape (trials, terms), with each column of `y`, 0 to 1."""
    base = np.linalg.qr(x - x.mean(axis=0))[0]
    y = y - y.mean(axis=0)
    size = np.maximum((y**2).sum(axis=0), 1e-300)
    return np.sqrt(((base.T @ y) ** 2).sum(axis=0) / size)


def ask_all(asked: Asked) -> list[Check]:
    """Return the answers to every question that this response can be asked."""
    if not asked.fit.metered:
        return [_counts(asked)]
    questions = [_prediction, _new_panels, _repeats, _influence, _bend, _order, _panels, _outlying, _spread]
    checks = [question(asked) for question in questions]
    if asked.fit.name.startswith("gloss_"):
        checks.append(ask_ceiling(asked))
        if asked.fit.kind == "surface":
            checks.append(ask_power(asked))
    return checks


def _counts(asked: Asked) -> Check:
    from scipy import stats

    y = asked.fit.left_out.y
    n, none = len(y), int((y == 0).sum())
    # scipy's, which is loaded by now: every `shortest` asks this, and statsmodels would take its 20 ms to load.
    most = float(stats.binomtest(n - none, n).proportion_ci(0.90, method="exact").high)  # 95 % of one side
    return Check(
        "prediction",
        asked.fit.name,
        f"{asked.label}: {int(y.sum())} in {counted(n, 'patch') if n == 1 else f'{n} patches'}, {none} patches without. "
        f"By the patches alone, up to {number(100 * most, 0, 'up')} % of such patches may have one (95 % upper limit).",
        facts={"patches": n, "without": none, "share_with_high": most},
    )


def _prediction(asked: Asked) -> Check:
    from scipy import stats

    left = asked.fit.left_out
    n, inside = len(left.y), int((np.abs(left.standardised) <= REACH).sum())
    missed = left.y - left.expected
    sentence = (
        f"{asked.label}: left out in turn, {inside} of {n} trials read inside the 90 % interval the others give them; "
        f"half of them within {asked.size(float(np.median(np.abs(missed))))} of what was expected."
    )
    caution = ""
    if inside < stats.binom.ppf(0.01, n, 0.9):  # the 1 % lower limit for a true 90 %
        caution = (
            f"The model of {asked.label} is surer than it should be: {sentence} "
            "Confirm a recipe on fresh panels before using it."
        )
    facts = {"inside": inside, "trials": n, "predicted_r2": _foretold(left.y, missed)}
    return Check("prediction", asked.fit.name, sentence, caution, facts)


def _foretold(y: np.ndarray, missed: np.ndarray) -> float:
    """Return the share of the readings' spread that is foretold: 1 - PRESS / sum of squares."""
    return float(1 - (missed**2).sum() / ((y - y.mean()) ** 2).sum())


def _new_panels(asked: Asked) -> Check:
    view, y = asked.view, asked.fit.left_out.y
    share = _foretold(y, view.missed(view.residual))
    new = _foretold(y, view.missed(view.residual, panels=True))

    def outside(residual: np.ndarray) -> np.ndarray:
        return (np.abs(view.standardised(residual, panels=True)) > REACH).sum(axis=0)

    out, p = view.odd(outside)
    panels = counted(len(set(asked.panels)), "panel")
    sentence = (
        f"{asked.label}: of the differences between trials the model foretells {_share(share)} of trials left out and "
        f"{_share(new)} of whole panels left out; {len(y) - int(out)} of {len(y)} trials on a panel it had not seen read "
        f"inside their 90 % interval ({panels})."
    )
    caution = ""
    if p <= ODD:
        caution = (
            f"Panels left out read further from what the other panels say of {asked.label} than the model allows for: "
            f"{int(out)} of {len(y)} trials lie outside their 90 % interval. Confirm a recipe on at least two new panels."
        )
    facts = {"predicted_r2": share, "predicted_r2_panels": new, "outside": int(out), "odd": p}
    return Check("new panel", asked.fit.name, sentence, caution, facts)


def _share(r2: float) -> str:
    return "nothing" if r2 <= 0 else f"{number(100 * r2, 0, 'down')} %"


def _repeats(asked: Asked) -> Check:
    view, name = asked.view, asked.fit.name
    if view.to_spare < 1:
        sentence = (
            f"{asked.label}: no process was worked twice, so misfit cannot be told from luck. "
            "Work today's process once on every panel."
        )
        return Check("repeats", name, sentence, facts={"to_spare": 0})
    groups = repeated(asked)
    luck = float(np.sqrt(sum(((r - r.mean()) ** 2).sum() for r, _ in groups) / view.to_spare))
    off = float(np.sqrt(np.mean([(r.mean() - fitted) ** 2 for r, fitted in groups])))
    f, p = view.odd(lambda e: view.lack_of_fit(e)[2])
    sentence = (
        f"{asked.label}: repeats of one process differ by {asked.size(luck)} (SD, panels taken off) and lie "
        f"{asked.size(off)} from the model on average; the misfit of all processes is "
        f"{'more than that luck explains' if p <= ODD else 'no more than that luck explains'}."
    )
    caution = ""
    if p <= ODD:
        caution = (
            f"The model of {asked.label} misses what repeats of the same process agree on, by {asked.size(off)} on average. "
            "Compare the other kind of model with compare_models, and confirm a recipe before using it."
        )
    facts = {"repeat_sd": luck, "misfit": off, "f": f, "odd": p, "to_spare": view.to_spare}
    return Check("repeats", name, sentence, caution, facts)


def repeated(asked: Asked) -> list[tuple[np.ndarray, float]]:
    """Return for each process worked more than once its readings, panels taken off, and the model's."""
    view, y = asked.view, asked.fit.left_out.y
    fitted = y - view.residual[view.at] + view.process_part
    of = view.same[view.at]
    return [
        ((y - view.panel_part)[of == name], float(fitted[of == name].mean()))
        for name, count in zip(*np.unique(of, return_counts=True), strict=True)
        if count > 1
    ]


def _influence(asked: Asked) -> Check:
    view, near = asked.view, asked.near
    size = view.influence(view.residual[:, None], near)[:, 0]
    most = int(size.argmax())
    worst = float(np.abs(view.moves()[most, near]).max())
    _, p = view.odd(lambda e: view.influence(e, near).max(axis=0))
    sentence = (
        f"{asked.label}: {asked.names[most]} moves the answer most; without it the model would read the "
        f"processes near the goal {asked.size(size[most])} otherwise on average, at most {asked.size(worst)}."
    )
    caution = ""
    if p <= ODD:
        caution = (
            f"One trial moves the model of {asked.label} more than luck would let it: {asked.names[most]}, by up to "
            f"{asked.size(worst)} near the goal. Look at what was done there and repeat that process before relying on it."
        )
    facts = {"row": asked.fit.left_out.row[most], "average": float(size[most]), "worst": worst, "odd": p}
    return Check("influence", asked.fit.name, sentence, caution, facts)


def _bend(asked: Asked) -> Check:
    view, x = asked.view, asked.expected
    x = (x - x.mean()) / max(x.std(), 1e-12)
    tied, p = view.odd(lambda e: _tied(np.column_stack([x, x**2]), view.standardised(e)))
    verdict = "leans or bends" if p <= ODD else "does not lean or bend"
    caution = ""
    if p <= ODD:
        caution = (
            f"What the model of {asked.label} misses depends on the level: it leans where readings are high or low. "
            "Compare the other kind of model with compare_models, and add trials near the goal."
        )
    sentence = f"{asked.label}: what the model misses of trials left out {verdict} with the level."
    return Check("level", asked.fit.name, sentence, caution, {"tied": tied, "odd": p})


def _order(asked: Asked) -> Check:
    view, when = asked.view, asked.order
    if np.ptp(when) == 0:
        return Check(
            "order", asked.fit.name, f"{asked.label}: all trials have one place in the order of work."
        )
    tied, p = view.odd(lambda e: _tied(when[:, None], view.standardised(e)))
    drift = float(np.polyfit(when, asked.luck, 1)[0] * np.ptp(when)) * asked.one
    moved = f"{'rose' if drift > 0 else 'fell'} by {asked.size(abs(drift))}"
    sentence = (
        f"{asked.label}: from the first trial to the last, readings near the goal {moved} beyond what settings explain, "
        f"{'more' if p <= ODD else 'no more'} than luck does."
    )
    caution = ""
    if p <= ODD:
        caution = (
            f"Readings of {asked.label} near the goal {moved} from the first trial to the last. Check the meter on its tile, "
            "worn pads and the lot of the product; settings tried early and late cannot be compared as they stand."
        )
    return Check("order", asked.fit.name, sentence, caution, {"drift": drift, "tied": tied, "odd": p})


def _panels(asked: Asked) -> Check:
    view = asked.view
    names = np.unique(asked.panels)
    mean = np.array([(asked.panels == name) / (asked.panels == name).sum() for name in names])
    sd = (mean @ view.standardised(view.simulated, panels=True)).std(axis=1)

    def off(residual: np.ndarray) -> np.ndarray:
        return (mean @ view.standardised(residual, panels=True)) / sd[:, None]

    _, p = view.odd(lambda e: np.abs(off(e)).max(axis=0))
    most = int(np.abs(off(view.residual[:, None])).argmax())
    far = float((mean @ view.standardised(view.residual, panels=True))[most]) * asked.one
    where = f"{asked.size(abs(far))} {'above' if far > 0 else 'below'}"
    sentence = (
        f"{asked.label}: panel {names[most]} stands furthest from what the other panels say, {where} near the goal, "
        f"{'more' if p <= ODD else 'no more'} than panels differ."
    )
    caution = ""
    if p <= ODD:
        caution = (
            f"Panel {names[most]} reads {where} what the other panels say of {asked.label} near the goal. "
            "Find out what was different about it (film, cure, batch, day) before mixing it with the others."
        )
    return Check(
        "panels", asked.fit.name, sentence, caution, {"panel": str(names[most]), "off": far, "odd": p}
    )


def _outlying(asked: Asked) -> Check:
    view = asked.view
    most = int(np.abs(asked.luck).argmax())
    far = float(view.missed(view.residual)[most])

    def stands_out(residual: np.ndarray) -> np.ndarray:
        # By its stated spread and by the others' own size: one far trial makes the stated spread large as well.
        size = np.abs(view.standardised(residual))
        return size.max(axis=0) ** 2 / np.maximum(np.median(size, axis=0), 1e-12)

    _, p = view.odd(stands_out)
    side = "above" if far > 0 else "below"
    sentence = (
        f"{asked.label}: {asked.names[most]} lies furthest from what the others say, "
        f"{asked.size(abs(far))} {side}; "
        f"{'that is further than a bell-shaped spread lets a trial lie' if p <= ODD else 'a bell-shaped spread lets a trial lie that far'}."
    )
    caution = ""
    if p <= ODD:
        caution = (
            f"{begun(asked.names[most])} reads {asked.size(abs(far))} {side} what the others say of {asked.label}. "
            "Look at that patch and its log; it stays in until it is marked spoiled with a reason."
        )
    facts = {"row": asked.fit.left_out.row[most], "far": far, "odd": p}
    return Check("outlying", asked.fit.name, sentence, caution, facts)


def _spread(asked: Asked) -> Check:
    # The ready-made tests (Breusch and Pagan's in statsmodels; Levene's, Shapiro and Wilk's in pingouin) want
    # residuals that are independent. On residuals that the model of a practice bench draws itself (kind 1, seed 3,
    # 24 trials, 999 draws) the first is odd at 0.005 in 0.009 of them; `odd` is right by its making.
    view = asked.view
    # Ranks, so that one rough process does not stand for all.
    x = np.argsort(np.argsort(asked.expected)).astype(float)[:, None]
    tied, p = view.odd(lambda e: _tied(x, np.abs(view.standardised(e))))
    verdict = "is not" if p <= ODD else "is"
    sentence = f"{asked.label}: on the scale used, luck {verdict} of one size at high and low readings."
    caution = ""
    if p <= ODD:
        low, high = (np.abs(asked.luck)[half].mean() for half in _halves(x[:, 0]))
        where = "high" if high > low else "low"
        caution = (
            f"Luck in {asked.label} is larger at {where} readings than the scale allows for, so intervals there are too "
            "narrow. Add trials there before relying on them."
        )
    return Check("spread", asked.fit.name, sentence, caution, {"tied": tied, "odd": p})


def _halves(rank: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return rank < len(rank) / 2, rank >= len(rank) / 2

"""The questions that a fitted response is asked, each answered in one plain sentence.

A bad answer comes with a caution that says what to do. Whether it is bad is judged against
readings drawn from the model itself (`linear_view.py`): seldom enough that a sound model is
rarely accused, at one question in two hundred. Drawing figures and gathering the answers of
a whole model are `checks.py`'s business.
"""

from __future__ import annotations

import numpy as np

from finishlab.model.check_answers import ODD, REACH, Asked, Check
from finishlab.model.scale_questions import ask_ceiling, ask_power
from finishlab.statistics.exact_shares import exact_share
from finishlab.words.show import counted, number


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
    y = asked.fit.left_out.y
    n, none = len(y), int((y == 0).sum())
    most = exact_share(n - none, n, 0.90)[1]  # 95 % of one side
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
        f"{asked.label}: the trial in {asked.row(most)} moves the answer most; without it the model would read the "
        f"processes near the goal {asked.size(size[most])} otherwise on average, at most {asked.size(worst)}."
    )
    caution = ""
    if p <= ODD:
        caution = (
            f"One trial moves the model of {asked.label} more than luck would let it: {asked.row(most)}, by up to "
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
        f"{asked.label}: the trial in {asked.row(most)} lies furthest from what the others say, "
        f"{asked.size(abs(far))} {side}; "
        f"{'that is further than a bell-shaped spread lets a trial lie' if p <= ODD else 'a bell-shaped spread lets a trial lie that far'}."
    )
    caution = ""
    if p <= ODD:
        caution = (
            f"The trial in {asked.row(most)} reads {asked.size(abs(far))} {side} what the others say of {asked.label}. "
            "Look at that patch and its log; it stays in until it is marked spoiled with a reason."
        )
    facts = {"row": asked.fit.left_out.row[most], "far": far, "odd": p}
    return Check("outlying", asked.fit.name, sentence, caution, facts)


def _spread(asked: Asked) -> Check:
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

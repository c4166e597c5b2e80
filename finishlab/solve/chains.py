"""Which chain of steps, or which pad, is worth its minutes: each at its best, at equal finish.

Two processes that do not finish alike cannot be compared by minutes. So for each chain the
shortest process that keeps the same promise is found, and only then are minutes compared.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import ModelError
from finishlab.model import FinishModel
from finishlab.plain import plain
from finishlab.solve.search import in_order, quickest
from finishlab.study import Study
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True, eq=False)
class Chains:
    """
    Chains of steps at equal finish.

    Made by `compare_chains`.

    Attributes
    ----------
    by : str
        What they differ in: a step that may be left out, or a setting in words.
    table_ : DataFrame
        One row a chain: ``chain``, ``found``, ``job_minutes``, ``job_minutes_low``, ``job_minutes_high`` (90 %
        interval of the next job), ``minutes`` likewise of a section, ``assurance``, ``process``; ``longer`` that its job
        takes than by the quickest chain, with the 90 % interval ``longer_low``, ``longer_high`` of that difference.
        NaN where no process of a chain keeps the promise.
    study : Study
    wanted : float
        The assurance asked of each, a probability.
    cautions : tuple of str
    """

    by: str
    table_: pd.DataFrame
    study: Study
    wanted: float
    cautions: tuple[str, ...]

    def text(self) -> str:
        """Say which chain is the quickest at equal finish, and by how much."""
        found = self.table_[self.table_["found"]]
        asked = show.asked_percent(self.wanted)
        if found.empty:
            return f"No chain keeps the promise with {asked} assurance yet. Plan a round with follow_up."
        first = found.iloc[int(found["job_minutes"].to_numpy().argmin())]
        said = [
            f"At equal finish ({asked} assurance) the quickest is {first['chain']}: {first['process']}, {show.time_text(first['minutes'], first['job_minutes'])}."
        ]
        for row in found[found["chain"] != first["chain"]].to_dict("records"):
            span = show.interval_text(row["longer_low"], row["longer_high"], "minutes")
            doubt = "" if row["longer_low"] > 0 else ", so that cannot be told from none"
            said.append(
                f"{show.begun(row['chain'])} takes {show.number(row['longer'])} minutes more ({span}{doubt})."
            )
        said += [
            f"{show.begun(c)} does not keep the promise yet."
            for c in self.table_.loc[~self.table_["found"], "chain"]
        ]
        return " ".join(said)

    def table(self) -> pd.DataFrame:
        """Return a copy of the table."""
        return self.table_.copy()

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain Python."""
        return {
            "by": self.by,
            "wanted": self.wanted,
            "chains": plain(self.table_),
            "cautions": list(self.cautions),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the minutes of each chain with the interval of the next job."""
        from finishlab.figures import answer_figures

        found = self.table_[self.table_["found"]].reset_index(drop=True)
        return answer_figures.chains(found, title=self.text().split(", ")[0] + ".", ax=ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def compare_chains(
    model: FinishModel, by: str, *, goal: Mapping[str, Any] | None = None, assurance: float | None = None
) -> Chains:
    """
    Compare chains of steps, or the levels of a setting, by the shortest process of each that keeps the promise.

    Parameters
    ----------
    model : FinishModel
    by : str
        A step that may be left out, as ``refine`` (is the middle grit worth it?), or a setting in words, as ``cut_pad``.
    goal : mapping of response -> condition, optional
        For one question, as for `shortest`; the study file's when not given.
    assurance : float, optional
        Probability for one question, above 0 and below 1; the study file's when not given.

    Returns
    -------
    Chains

    Raises
    ------
    ModelError
        `by` is neither, all trials are on one panel, a response of the goal was never read, or a
        limit cannot be judged.
    StudyError
        The goal or assurance is not right.

    References
    ----------
    The promise as in `shortest`. The interval of a difference in minutes is Student's, with panels as random
    effects: Patterson, H. D. & Thompson, R. (1971), Biometrika 58, 545 (from memory).

    Examples
    --------
    >>> import finishlab as fl
    >>> fl.compare_chains(model, "cut_pad", assurance=0.8).table()["chain"].tolist()
    ['cut pad wool', 'cut pad microfibre', 'cut pad foam']

    >>> fl.compare_chains(model, "sand_speed")
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: 'sand_speed' is neither a step that may be left out nor a setting in words. ...
    """
    import pandas as pd

    study = model.study
    conditions, wanted = study.asked(goal, assurance)
    if model.panels < 2:
        raise ModelError(
            "all trials are on one panel, so no promise can be compared. Work trials on more panels."
        )
    walk = in_order(model)
    chains = _chains(study, by, walk.at(slice(None)))
    rows: list[dict[str, Any]] = []
    chosen: list[np.ndarray | None] = []
    for name, mine in chains:
        best = quickest(model, conditions, wanted, walk.where(mine))
        rows.append({"chain": name, "found": best is not None})
        chosen.append(None if best is None else best.values)
        if best is not None:
            rows[-1] |= vars(best.process) | {"process": show.process_text(best.process.settings, study)}
    times = [f"{of}minutes{end}" for of in ("job_", "") for end in ("", "_low", "_high")]
    columns = ["chain", "found", *times, "assurance", "process"]
    table = pd.DataFrame(rows).reindex(columns=columns)
    nan = float("nan")
    longer = [(nan, nan, nan)] * len(table)
    if table["found"].any():
        least = chosen[int(table["job_minutes"].fillna(np.inf).to_numpy().argmin())]
        assert least is not None
        longer = [(nan, nan, nan) if v is None else model.job_difference(v, least) for v in chosen]
    table["longer"], table["longer_low"], table["longer_high"] = zip(*longer, strict=True)
    return Chains(by, table, study, wanted, model.cautions)


def _chains(study: Study, by: str, values: np.ndarray) -> list[tuple[str, np.ndarray]]:
    """Return the chains by name, each with the positions of its processes."""
    for step in study.steps:
        if step.name == by and step.can_be_left_out and step.amount is not None:
            amount = values[:, study.basis.column(step.amount.factor)]
            return [
                (f"with {by}", np.flatnonzero(amount > 0)),
                (f"without {by}", np.flatnonzero(amount == 0)),
            ]
    if by in study.basis.names and not study.settings[by].numeric:
        setting, column = study.settings[by], study.basis.column(by)
        return [
            (f"{show.label(by)} {level}", np.flatnonzero(values[:, column] == k))
            for k, level in enumerate(setting.levels)
        ]
    known = [s.name for s in study.steps if s.can_be_left_out] + [
        s.factor for s in study.factors if not s.numeric
    ]
    raise ModelError(
        f"{by!r} is neither a step that may be left out nor a setting in words. "
        f"{'Those are ' + ', '.join(known) if known else 'This study has none'}."
    )

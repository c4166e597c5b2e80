"""Is the meter good enough: from a table of readings to a `MeterStudy`.

Readings come in by `reading_arrays.py`, mean squares from `anova.py`, the estimates of an unbalanced
study from `mixed`, what stands apart from `outliers.py`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from finishlab.errors import ModelError
from finishlab.meter import meter_spreads
from finishlab.meter.anova import REST, Anova, analyse, pooled
from finishlab.meter.direction import direction_effect
from finishlab.meter.meter_spreads import INTERACTION, LAY, PANEL, PATCH, SPOT, TECHNICIAN, Components
from finishlab.meter.meter_study import MeterStudy
from finishlab.meter.meter_words import confidence_mistakes
from finishlab.meter.outliers import flagged_readings, nothing_flagged
from finishlab.meter.reading_arrays import Taken, take
from finishlab.statistics import fit_mixed
from finishlab.words.show import listed

if TYPE_CHECKING:
    import pandas as pd

Method = Literal["auto", "anova", "reml"]
METHODS = {"anova": "analysis of variance", "reml": "restricted maximum likelihood"}


def study_meter(
    readings: pd.DataFrame,
    *,
    reading: str = "gloss_20",
    part: str = "patch",
    technician: str | None = "technician",
    after: str | None = None,
    instrument: str | None = None,
    method: Method = "auto",
    confidence: float = 0.95,
) -> MeterStudy:
    """
    Find how much of the spread of readings is the meter's, and what the meter can tell.

    Crossed studies (every technician reads every patch) and nested ones (each reads patches
    of his or her own), patches on panels, several spots, both directions; gaps are allowed.

    Parameters
    ----------
    readings : DataFrame
        One row a reading, as `RecordBook.readings` gives; or any table with the columns named
        here. Where there are columns `panel`, `spot` and `direction` (``along``, ``across``)
        they count: a patch is told apart over panels, a spot of one number is the same place
        for everybody. Repeats may stand side by side, as ``gloss_20_1``, ``gloss_20_2``.
    reading : str, optional
        What was read: a word in the column `quantity`, or the column that holds the readings.
    part : str, optional
        Column that names what was read.
    technician : str or None, optional
        Column that names who read; None where one person read all.
    after, instrument : str, optional
        Which readings, where the table has some after several steps or by several meters.
    method : {"auto", "anova", "reml"}, optional
        Variance components by analysis of variance or by restricted maximum likelihood; for a
        balanced study they are the same, for others `auto` takes the second.
    confidence : float, optional
        Probability that each interval holds the true value, from 0.5 to below 1.

    Returns
    -------
    MeterStudy

    Raises
    ------
    RecordsError
        The table lacks columns, holds text where numbers belong, or readings of several sorts.
    ModelError
        Nothing was read twice, all readings are equal, or an argument is not right.

    Notes
    -----
    Effects are random, the direction of reading fixed. A component that comes out below zero is
    zero and its mean square joins the next. Intervals are generalised confidence intervals of
    all components together, from the mean squares before anything is joined.

    References
    ----------
    ISO 5725-2, basic method for repeatability and reproducibility. Burdick, R. K., Borror, C. M.
    & Montgomery, D. C. (2005), Design and Analysis of Gauge R&R Studies. Hamada, M. &
    Weerahandi, S. (2000), Journal of Quality Technology 32, 241-253 (the last two from memory).

    Examples
    --------
    >>> import pandas as pd
    >>> import finishlab as fl
    >>> table = pd.DataFrame({
    ...     "patch": [1, 1, 1, 1, 2, 2, 2, 2, 3, 3, 3, 3],
    ...     "technician": ["A", "A", "B", "B"] * 3,
    ...     "gloss_20": [80.1, 80.3, 80.6, 80.4, 84.0, 83.7, 84.2, 84.4, 88.2, 88.0, 88.5, 88.4]})
    >>> study = fl.study_meter(table)
    >>> print(f"{study.repeatability_sd.value:.2f} {study.meter_share.value:.3f}")
    0.13 0.005
    >>> study.readings_for(0.2).readings
    2

    One reading of each patch says nothing of the meter:

    >>> fl.study_meter(table.iloc[[0, 4, 8]])
    Traceback (most recent call last):
        ...
    finishlab.errors.ModelError: every patch was read once, so the meter's own spread cannot be told. ...
    """
    mistakes = []
    if method not in ("auto", *METHODS):
        mistakes.append(f"method is {method!r}. There are: auto, anova, reml.")
    mistakes += confidence_mistakes(confidence)
    if mistakes:
        raise ModelError(mistakes)
    taken = take(
        readings, reading=reading, part=part, technician=technician, after=after, instrument=instrument
    )
    return _study(taken, reading, method, confidence, look_for_outliers=True)


def _study(
    taken: Taken, reading: str, method: str, confidence: float, *, look_for_outliers: bool
) -> MeterStudy:
    import pandas as pd

    if np.ptp(taken.value) == 0:
        raise ModelError(
            f"all {len(taken.value)} readings are {taken.value[0]:g}: nothing differs, so nothing can be told apart. Read "
            "patches that differ, with all the digits the meter shows."
        )
    effects, fixed = _effects(taken)
    full = analyse(taken.value, effects, fixed)
    if full.names == (REST,) or (PATCH in full.lost and TECHNICIAN not in full.names):
        raise ModelError(
            "every patch was read once, so the meter's own spread cannot be told. Read each patch three times, lifting "
            "the meter off in between."
        )
    use = method if method != "auto" else "anova" if full.balanced else "reml"
    told = {k: effects[k] for k in full.names[:-1]}
    zero = dict.fromkeys(full.names, 0.0)
    estimate = zero | (
        pooled(taken.value, told, fixed).variances()
        if use == "anova"
        else _by_likelihood(taken.value, told, fixed)
    )
    components = Components(estimate, full.draws(), confidence)
    flags = flagged_readings(taken) if look_for_outliers else nothing_flagged()
    ss, df = _for_the_model(taken, full, estimate)
    return MeterStudy(
        reading=reading,
        method=METHODS[use],
        confidence=confidence,
        mean=float(taken.value.mean()),
        counts=_counts(taken),
        components=components,
        anova=pd.DataFrame(
            {
                "source": [meter_spreads.SOURCES[k] for k in full.names],
                "df": full.df,
                "ss": full.ss,
                "ms": full.ms,
            }
        ),
        meter_ss=ss,
        meter_df=df,
        direction=direction_effect(
            taken,
            reading=reading,
            repeat_sd=estimate[REST] ** 0.5,
            repeat_df=full.df[-1],
            confidence=confidence,
        ),
        flagged=flags,
        without_outliers=_without(taken, flags, reading, method, confidence),
        points=_points(taken),
        cautions=(*taken.cautions, *_cautions(taken, full, estimate)),
    )


def _effects(taken: Taken) -> tuple[dict[str, np.ndarray], list[np.ndarray]]:
    """Return the random effects that this table may tell, coarse before fine, and the fixed groupings."""
    part, who, ways = taken.part, taken.technician, taken.direction
    effects: dict[str, np.ndarray] = {}
    several = len(part) > 1
    if several and taken.panel is not None and len(taken.panel) < len(part):
        effects[PANEL] = taken.panel.of
    if who is not None and len(who) > 1 and not (several and _alike(who.of, part.of)):
        effects[TECHNICIAN] = who.of
    if several:
        effects[PATCH] = part.of
    if several and TECHNICIAN in effects and _crossed(part.of, effects[TECHNICIAN]):
        effects[INTERACTION] = part.within(who)
    if ways is not None and len(ways) > 1 and several:
        effects[LAY] = part.within(ways)
    if taken.spot is not None and len(taken.spot) > 1:
        effects[SPOT] = part.within(taken.spot)
    return effects, [ways.of] if ways is not None and len(ways) > 1 else []


def _alike(a: np.ndarray, b: np.ndarray) -> bool:
    return len(set(zip(a.tolist(), b.tolist(), strict=True))) == len(set(a.tolist())) == len(set(b.tolist()))


def _crossed(part: np.ndarray, who: np.ndarray) -> bool:
    """Return whether some patch was read by two technicians."""
    return len(set(zip(part.tolist(), who.tolist(), strict=True))) > len(set(part.tolist()))


def _by_likelihood(
    y: np.ndarray, effects: Mapping[str, np.ndarray], fixed: list[np.ndarray]
) -> dict[str, float]:
    matrix = np.column_stack([np.ones(len(y)), *(f == k for f in fixed for k in range(1, f.max() + 1))])
    fit = fit_mixed(y, matrix.astype(float), dict(effects))
    return {**fit.variances, REST: fit.residual_variance}


def _for_the_model(taken: Taken, full: Anova, estimate: Mapping[str, float]) -> tuple[float, float]:
    """Return sum of squares and df of single readings, each at any spot, about their patch's average."""
    if SPOT not in estimate:
        return float(full.ss[-1]), float(full.df[-1])
    at = full.names.index(SPOT)
    # Satterthwaite: the df of a weighted sum of the two mean squares.
    share = 1 / full.expected[at, at]
    parts = np.array([share * full.ms[at], (1 - share) * full.ms[-1]])
    df = float(parts.sum() ** 2 / (parts**2 / full.df[[at, -1]]).sum()) if parts.any() else float(full.df[-1])
    return (estimate[SPOT] + estimate[REST]) * df, df


def _counts(taken: Taken) -> dict[str, int]:
    return {
        "readings": len(taken.value),
        "patches": len(taken.part),
        **{
            name: 1 if groups is None else len(groups)
            for name, groups in (
                ("technicians", taken.technician),
                ("panels", taken.panel),
                ("spots", taken.spot),
                ("directions", taken.direction),
            )
        },
    }


def _points(taken: Taken) -> pd.DataFrame:
    import pandas as pd

    def named(groups: Any) -> Any:
        return None if groups is None else np.array(groups.names, object)[groups.of]

    columns = {"patch": taken.part, "technician": taken.technician, "direction": taken.direction}
    table = pd.DataFrame({k: named(g) for k, g in columns.items()} | {"value": taken.value, "row": taken.row})
    # A category keeps patch 2 before patch 10.
    return table.assign(patch=pd.Categorical(table["patch"], categories=list(taken.part.names)))


def _without(
    taken: Taken, flags: pd.DataFrame, reading: str, method: str, confidence: float
) -> MeterStudy | None:
    """Return the study without what is marked as outliers, where enough is left."""
    gone = sorted({i for at, o in zip(flags["at"], flags["outlier"], strict=True) if o for i in at})
    if not gone:
        return None
    keep = np.ones(len(taken.value), bool)
    keep[gone] = False
    try:
        return _study(taken.some(keep), reading, method, confidence, look_for_outliers=False)
    except ModelError:
        return None


def _cautions(taken: Taken, full: Anova, estimate: Mapping[str, float]) -> list[str]:
    """Return what the readings cannot tell, and what of them deserves care."""
    said = []
    who = taken.technician
    if len(taken.part) == 1:
        said.append(
            "Only one patch was read: how much of the spread between patches is the meter's cannot be said. Read ten that differ."
        )
    if who is None or len(who) == 1:
        said.append(
            "One technician took all readings: what another pair of hands adds is not known. Let two or three read the same patches."
        )
    elif TECHNICIAN not in full.names:
        said.append(
            "Each technician read one patch of his or her own: technicians cannot be told from patches. Let them read the same patches."
        )
    elif PATCH in full.names and not _crossed(taken.part.of, who.of):
        said.append(
            "No patch was read by two technicians: their differences stand beside those of the patches they happened to get. "
            "Let them read the same patches."
        )
    elif INTERACTION in full.lost:
        said.append(
            "Each technician read each patch once: what repeats differ by and what technicians differ by from patch to patch "
            "stand together as repeatability. Read each patch twice or more."
        )
    missing = _missing(taken)
    if missing:
        said.append(
            f"Not read: {missing}. The answer takes that into account; the intervals are then nearly, not exactly, right."
        )
    if SPOT in full.lost:
        said.append(
            "Every reading was at a spot of its own: the meter's own spread and the unevenness of a patch stand together as repeatability."
        )
    if who is not None and TECHNICIAN in full.names and len(who) <= 3:
        said.append(
            "Two or three technicians only: how far technicians differ is known but roughly; its interval says so."
        )
    if estimate[REST] == 0:
        said.append(
            "All repeats are equal: the meter shows too few digits for its own spread, or readings were copied. Log what the meter shows, each time anew."
        )
    elif (step := _step(taken.value)) > estimate[REST] ** 0.5:
        said.append(
            f"Readings go in steps of {step:g}, more than repeats differ by: the meter's own spread is hidden by its rounding."
        )
    return said


def _missing(taken: Taken) -> str:
    """Name the patches that not every technician read, in a study that is crossed otherwise."""
    who, part = taken.technician, taken.part
    if who is None or len(who) < 2 or not _crossed(part.of, who.of):
        return ""
    read = np.zeros((len(part), len(who)), bool)
    read[part.of, who.of] = True
    gaps = [f"patch {part.names[p]} by {who.names[t]}" for p, t in zip(*np.nonzero(~read), strict=True)]
    shown = gaps[:6] + ([f"{len(gaps) - 6} more"] if len(gaps) > 6 else [])
    return listed(shown)


def _step(values: np.ndarray) -> float:
    """Return the largest step of 1, 0.1, 0.01 ... that all readings go in; 0 when finer."""
    for places in range(5):
        if np.allclose(values, np.round(values, places), rtol=0, atol=1e-9):
            return 10.0**-places
    return 0.0

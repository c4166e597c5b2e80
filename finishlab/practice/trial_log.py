"""Working a sheet of trials on an invented shop, and logging it as a technician would.

What a panel is, is drawn from the bench and the panel's label; what a patch is and reads, from
these, the patch and the seed of the work. So rows may come in any order, and the same panel may be
met again. The typical result comes from `_bench_truths`, what meters see from `_bench_jobs`.
"""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import RecordsError
from finishlab.practice.true_jobs import (
    RESOLUTION,
    gloss_at_20,
    gloss_at_60,
    haze_units,
    lost_at_20,
    reading_sd,
)
from finishlab.practice.truths import (
    DRUM_PANELS,
    PAD_PATCHES,
    STEPS,
    STRAY_DEPTHS,
    THIN_CLEAR_UM,
    FloatArray,
    Processes,
    Shop,
    Typical,
    processes_of,
    typical,
)

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study

_FIRST_DAY = datetime.date(2026, 3, 2)
_GAUGE_SD_UM = 0.4  # a film reading, itself a mean over one template spot
_MOST_FAULTS = 60
_PANELS, _PATCHES, _DRUMS, _DAYS = 1, 2, 3, 4  # keep the families of draws apart


@dataclass(frozen=True)
class _Draws:
    """What chance gave each trial: standard normals and uniforms, arrays with one row a trial."""

    panel: FloatArray  # (trials,) panel's shift, in panel SDs
    panel_clear_um: FloatArray
    panel_total_um: FloatArray
    patch: FloatArray  # (trials,)
    step: FloatArray  # (trials, 3)
    slack: FloatArray
    minutes: FloatArray  # (trials, 4): the trial's and each step's
    film: FloatArray  # (trials, 5): removal, clear, haze, gauge before and after
    gloss: FloatArray  # (trials, 3 steps, 2 angles, spots)
    haze: FloatArray  # (trials, spots)
    luck: FloatArray  # (trials, 5) uniforms: thin spot, how thin, faults, stray, how deep
    misread: FloatArray  # (trials, 3, 2, spots, 2) uniforms: whether, and how low


def work(shop: Shop, study: Study, sheet: pd.DataFrame, seed: int) -> pd.DataFrame:
    """Return the log of the trials of `sheet`, worked on new patches of this `seed`."""
    import pandas as pd

    values = study.basis.values(sheet)
    processes = processes_of(study, values)
    head = _heading(sheet)
    d = _drawn(shop, head, study.reading.spots, seed)
    t = typical(shop, processes)
    burned = _burned_after(shop, t.removed_um, d)
    day = _day(shop, head)
    if shop.hands:
        head["technician"] = day.technician
    columns: dict[str, Any] = {name: head[name] for name in head.columns}
    if shop.lot_sd:
        columns["lot"] = day.lot
    columns["burned_after_step"] = [STEPS[b] if b < len(STEPS) else "" for b in burned]
    words = study.basis.frame(values)
    columns |= {name: words[name].to_numpy() for name in words.columns}
    columns |= _film(shop, t.removed_um, d, burned)
    columns |= _readings(shop, study, t, processes, d, burned, day.shift)
    columns |= _minutes(shop, t.minutes, d, burned)
    return pd.DataFrame(columns, index=sheet.index)


def _heading(sheet: pd.DataFrame) -> pd.DataFrame:
    """Return trial, run order, panel, patch, technician, date, status and reason."""
    import pandas as pd

    if "panel" not in sheet.columns:
        raise RecordsError(
            f"column 'panel' is missing. Columns: {', '.join(map(str, sheet.columns))}. Say for each trial on which test panel it is worked."
        )
    count = np.arange(1, len(sheet) + 1)
    run_order = sheet["run_order"].to_numpy() if "run_order" in sheet.columns else count
    panel = sheet["panel"].astype(str)
    patch = sheet["patch"] if "patch" in sheet.columns else panel.groupby(panel).cumcount() + 1
    twice = pd.DataFrame({"panel": panel, "patch": patch.astype(str)}).duplicated(keep=False).to_numpy()
    if twice.any():
        rows = ", ".join(str(sheet.index[i]) for i in np.flatnonzero(twice)[:6])
        raise RecordsError(
            f"the same patch of a panel is planned more than once (rows {rows}). A patch is worked once, fresh; give each trial its own."
        )
    # One panel a day, in the order in which the panels are begun; two technicians take turns.
    first = pd.Series(run_order).groupby(panel.to_numpy()).min().sort_values(kind="stable")
    day = {label: i for i, label in enumerate(first.index)}
    turn = pd.Series(run_order).groupby(panel.to_numpy()).rank(method="first").to_numpy().astype(int)
    return pd.DataFrame(
        {
            "trial": sheet["trial"].to_numpy() if "trial" in sheet.columns else count,
            "run_order": run_order,
            "panel": sheet["panel"].to_numpy(),
            "patch": patch.to_numpy(),
            "technician": np.where(turn % 2 == 1, "T1", "T2"),
            "date": [(_FIRST_DAY + datetime.timedelta(days=day[label])).isoformat() for label in panel],
            "status": "done",
            "reason": "",
        },
        index=sheet.index,
    )


@dataclass(frozen=True)
class _Day:
    """What the day brings each trial beside its panel and patch."""

    technician: np.ndarray
    lot: np.ndarray
    shift: FloatArray  # (trials, steps), of ln(roughness)


def _day(shop: Shop, head: pd.DataFrame) -> _Day:
    """Return who worked each trial, from which drum of product, and what these and a worn pad did to it."""
    labels = [str(label) for label in head["panel"]]
    shift = np.zeros((len(labels), len(STEPS)))
    turn = head["run_order"].groupby(labels).rank(method="first").to_numpy().astype(int) - 1
    by_day = {
        label: np.random.default_rng([shop.kind, shop.seed, _DAYS, *label.encode()]).integers(PAD_PATCHES)
        for label in dict.fromkeys(labels)
    }
    # Where in its life the pad is when the panel is begun; who begins it.
    start = np.array([by_day[label] for label in labels], int)
    hand = (start + turn) % 2
    shift += shop.hands * (2 * hand - 1)[:, None]
    age = ((start + turn) % PAD_PATCHES + 0.5) / PAD_PATCHES
    drums = [_drum(label) for label in labels]
    drawn = {
        drum: np.random.default_rng([shop.kind, shop.seed, _DRUMS, drum]).standard_normal()
        for drum in dict.fromkeys(drums)
    }
    # Sanding has neither pad nor product.
    shift[:, 1:] += (shop.wear * (age - 0.5) + shop.lot_sd * np.array([drawn[drum] for drum in drums]))[
        :, None
    ]
    return _Day(
        technician=np.where(hand == 0, "T1", "T2"),
        lot=np.array([f"L{drum + 1}" for drum in drums], object),
        shift=shift,
    )


def _drum(panel: str) -> int:
    """Return the number of the drum of product in use when a panel is worked, from the panel's own number."""
    number = re.search(r"\d+", panel)
    return (max(int(number[0]) - 1, 0) if number else sum(panel.encode())) // DRUM_PANELS


def _drawn(shop: Shop, head: pd.DataFrame, spots: int, seed: int) -> _Draws:
    labels = [str(label).encode() for label in head["panel"]]
    panels = {
        label: np.random.default_rng([shop.kind, shop.seed, _PANELS, *label])
        for label in dict.fromkeys(labels)
    }
    by_panel = {
        label: (rng.standard_normal(), clear := rng.uniform(45, 60), clear + rng.uniform(65, 80))
        for label, rng in panels.items()
    }
    shape = (len(STEPS), 2, spots)
    sizes = [1, 3, 3, 4, 5, int(np.prod(shape)), spots]
    normals, uniforms = [], []
    for label, patch in zip(labels, head["patch"], strict=True):
        rng = np.random.default_rng(
            [shop.kind, shop.seed, _PATCHES, seed, len(label), *label, *str(patch).encode()]
        )
        normals.append(rng.standard_normal(sum(sizes)))
        uniforms.append(rng.random(5 + 2 * int(np.prod(shape))))
    parts = np.split(np.array(normals).reshape(len(labels), sum(sizes)), np.cumsum(sizes)[:-1], axis=1)
    luck = np.array(uniforms).reshape(len(labels), 5 + 2 * int(np.prod(shape)))
    about_panels = np.array([by_panel[label] for label in labels]).reshape(-1, 3)
    return _Draws(
        panel=about_panels[:, 0],
        panel_clear_um=about_panels[:, 1],
        panel_total_um=about_panels[:, 2],
        patch=parts[0][:, 0],
        step=parts[1],
        slack=parts[2],
        minutes=parts[3],
        film=parts[4],
        gloss=parts[5].reshape(-1, *shape),
        haze=parts[6],
        luck=luck[:, :5],
        misread=luck[:, 5:].reshape(-1, *shape, 2),
    )


def _taken(shop: Shop, removed: FloatArray, d: _Draws) -> FloatArray:
    return removed.cumsum(axis=1) * np.exp(shop.removal_sd * d.film[:, :1])


def _clear(shop: Shop, d: _Draws) -> FloatArray:
    """Clear on each patch before work, micrometres."""
    thinnest, thickest = THIN_CLEAR_UM
    thin = thinnest + (thickest - thinnest) * d.luck[:, 1]
    # Elsewhere the film varies by 1.5 um, cut at 4, so that only a thin spot burns through.
    usual = d.panel_clear_um + np.clip(1.5 * d.film[:, 1], -4, 4)
    return np.where(d.luck[:, 0] < shop.thin_share, thin, usual)


def _burned_after(shop: Shop, removed: FloatArray, d: _Draws) -> np.ndarray:
    """Return the position of the step that burned through, or the number of steps when none did."""
    through = _taken(shop, removed, d) > _clear(shop, d)[:, None]
    return np.where(through.any(axis=1), through.argmax(axis=1), len(STEPS))


def _film(shop: Shop, removed: FloatArray, d: _Draws, burned: np.ndarray) -> dict[str, FloatArray]:
    total = d.panel_total_um - d.panel_clear_um + _clear(shop, d)
    before = np.round(total + _GAUGE_SD_UM * d.film[:, 3], 1)
    after = np.round(total - _taken(shop, removed, d)[:, -1] + _GAUGE_SD_UM * d.film[:, 4], 1)
    after[burned < len(STEPS)] = np.nan
    return {
        "film_before_um": before,
        "film_after_um": after,
        "removed_um": np.round(before - after, 1),
    }


def _readings(
    shop: Shop,
    study: Study,
    t: Typical,
    p: Processes,
    d: _Draws,
    burned: np.ndarray,
    day_shift: FloatArray,
) -> dict[str, FloatArray]:
    """Every reading in the order of the steps; missing from the step that burned through on."""
    # A left-out step leaves the patch as the step before did.
    last = np.stack([0 * p.cut, p.cut > 0, np.where(p.polish > 0, 2, p.cut > 0)], axis=1).astype(int)
    shift = shop.panel_sd * d.panel + shop.patch_sd * d.patch
    z = t.log_roughness + day_shift + shift[:, None] + shop.step_sd * np.take_along_axis(d.step, last, axis=1)
    slack = shop.slack_sd * np.take_along_axis(d.slack, last, axis=1)
    failed = d.luck[:, 3] < t.stray
    depth = STRAY_DEPTHS[(d.luck[:, 4] * len(STRAY_DEPTHS)).astype(int)]
    stray = np.where(failed, depth, 0.0)[:, None]
    lost_share = lost_at_20(z, stray)
    glosses = {
        "gloss_20": gloss_at_20(shop, lost_share),
        "gloss_60": gloss_at_60(shop, lost_share, slack),
    }
    columns: dict[str, FloatArray] = {}
    for j, step in enumerate(STEPS):
        final = j == len(STEPS) - 1
        if not final and step not in study.reading.after:
            continue
        for a, (name, (gloss, slope)) in enumerate(glosses.items()):
            shown = gloss[:, j, None] + reading_sd(shop, slope[:, j, None]) * d.gloss[:, j, a]
            wrong, low = d.misread[:, j, a, :, 0] < shop.misread, 0.4 + 0.45 * d.misread[:, j, a, :, 1]
            prefix = "" if final else f"{step}_"
            columns |= _repeats(prefix + name, np.where(wrong, low * shown, shown), burned <= j)
    lost = burned < len(STEPS)
    patch_haze = haze_units(shop, lost_share[:, -1], t.haze_weight) + shop.haze_sd * d.film[:, 2]
    columns |= _repeats("haze", patch_haze[:, None] + shop.haze_meter_sd * d.haze, lost)
    # A patch that came out rougher shows more faults.
    mean = t.faults * np.exp(z[:, -1] - t.log_roughness[:, -1])
    columns["faults"] = np.where(lost, np.nan, _poisson(d.luck[:, 2], mean) + failed)
    return columns


def _repeats(name: str, values: FloatArray, missing: np.ndarray) -> dict[str, FloatArray]:
    """Return readings as the meter shows them, and their mean."""
    shown = np.maximum(np.round(values / RESOLUTION) * RESOLUTION, 0).round(1)
    shown[missing] = np.nan
    repeats = {f"{name}_{i + 1}": shown[:, i] for i in range(shown.shape[1])}
    return {**repeats, name: shown.mean(axis=1)}


def _poisson(uniform: FloatArray, mean: FloatArray) -> np.ndarray:
    """Return the count that a uniform stands for."""
    from scipy.special import pdtr

    return (uniform[:, None] > pdtr(np.arange(_MOST_FAULTS), mean[:, None])).sum(axis=1)


def _minutes(shop: Shop, typical_minutes: FloatArray, d: _Draws, burned: np.ndarray) -> dict[str, FloatArray]:
    """Minutes by step and together: the trial's own pace and each step's, both of mean one."""
    pace = _of_mean_one(0.8 * shop.minutes_sd, d.minutes[:, :1])
    taken = typical_minutes * pace * _of_mean_one(0.6 * shop.minutes_sd, d.minutes[:, 1:])
    taken = np.round(taken, 2)
    taken[np.arange(len(STEPS)) > burned[:, None]] = np.nan
    total = np.where(burned < len(STEPS), np.nan, taken.sum(axis=1).round(2))
    return {**{f"{step}_minutes": taken[:, j] for j, step in enumerate(STEPS)}, "minutes": total}


def _of_mean_one(sd: float, normal: FloatArray) -> FloatArray:
    return np.exp(sd * normal - sd**2 / 2)

"""The laws of the invented shops behind `bench`: how roughness falls, and every spread about it.

`draw_shop(kind, seed)` draws one shop once and for all; `typical` gives what a process leaves on
a typical patch: roughness after each step, haze weight, faults, film and minutes. Numbers are
planning guesses of the trade (common practice, no source) and were chosen only to be plausible.
What is random from patch to patch, and what a job needs, is in `invented_shop.py`. Nothing here may lean
on the models in `model/`: these laws are what the models are tried against.

Roughness is carried as x = 4 pi sigma cos(20 degrees) / lambda, so that 20-degree gloss is
ceiling exp(-x^2) (`optics`); 0.1 is a fine finish, 2 a P1500 sanding.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from finishlab.trade.optics import ceiling_gloss, log_roughness

if TYPE_CHECKING:
    from finishlab.study import Study

FloatArray = NDArray[np.float64]

KINDS: dict[int, str] = {
    1: "roughness in micrometres falls by the same share of what is left at each pass, down to a floor of pad and product",
    2: "gains never end but come ever slower: roughness falls as a power of the passes",
    3: "gloss itself climbs to a plateau of the stage, as 1 - exp(-passes / tau)",
    4: "scratches of many depths are worn away by removal, while every pad leaves fine scratches of its own",
    5: "as 1, but over-working roughens again: past a best number of passes gloss falls",
    6: "as 1, with stray deep scratches (such a patch fails at every spot) and, apart from them, misread spots",
    7: "S-shaped: the first passes do little, the next ones much, then it levels off",
    8: "as 3, and pads wear: the older the pad, the rougher it leaves the surface, until it is changed",
    9: "as 4, and two technicians who finish unlike each other take turns; either may work the next job",
    10: "as 3, and every new drum of product, one to four panels, finishes a little unlike the last",
    11: "as 4, and panels unlike each other: they differ several times as much as elsewhere",
    12: "as 1, and one reading in twenty-five is misread, far too low",
    13: "as 5, and some patches fail at every spot whatever the process",
    14: "as 1, with a goal near the ceiling that few processes reach",
}
#: The kind whose law of roughness another kind follows.
_LAW_OF = {8: 3, 9: 4, 10: 3, 11: 4, 12: 1, 13: 5, 14: 1}
#: Panels that one drum of product lasts, and patches that one pad lasts (kinds 10 and 8).
DRUM_PANELS, PAD_PATCHES = 4, 16
GRITS = ("P1500", "P2000", "P3000")
PADS = ("wool", "microfibre", "foam")
PRODUCTS = ("compound A", "compound B")
STEPS = ("sand", "cut", "polish")
SAND_PASSES = 4
#: Share added to -ln(gloss share) by stray scratches of a failed patch: shallow, middling, deep.
STRAY_DEPTHS = np.array([0.04, 0.08, 0.16])
#: Clear on a thin spot, micrometres: anywhere between the two.
THIN_CLEAR_UM = (5.0, 22.0)


@dataclass(frozen=True)
class Processes:
    """Processes as positions in `GRITS`, `PADS`, `PRODUCTS` and as passes; arrays, shape (n,)."""

    grit: NDArray[np.int64]
    pad: NDArray[np.int64]
    product: NDArray[np.int64]
    cut: FloatArray
    polish: FloatArray


def processes_of(study: Study, values: FloatArray) -> Processes:
    """Return rows of `Basis.values` in the shop's own terms; held settings filled in."""

    def column(name: str, known: tuple[str, ...] | None) -> Any:
        setting = study.settings[name]
        if setting.held:
            v = np.full(len(values), float(setting.levels[0]) if known is None else 0.0)
        else:
            v = values[:, study.basis.column(name)]
        if known is None:
            return v
        positions = np.array([known.index(level) for level in setting.levels])
        return positions[np.nan_to_num(v).astype(int)]

    return Processes(
        grit=column("sand_grit", GRITS),
        pad=column("cut_pad", PADS),
        product=column("cut_product", PRODUCTS),
        cut=column("cut_passes", None),
        polish=column("polish_passes", None),
    )


@dataclass(frozen=True)
class Stage:
    """How one working stage goes, for each process: arrays of shape (n,), or single numbers."""

    floor: Any  # roughness it levels off at
    tau: Any  # passes to come 63 % of the way there
    slows: Any  # kind 2: passes after which the gains slow down
    power: Any  # kind 2: exponent of the passes
    best: Any  # kind 5: passes after which working harms
    harm: Any  # kind 5: roughness added for each pass beyond, in quadrature
    shape: float  # kind 7: 1 would be exponential, 2 is S-shaped


@dataclass(frozen=True)
class Shop:
    """One invented shop. Spreads are SDs of ln(roughness) unless the name says otherwise."""

    kind: int
    seed: int
    law: int  # the kind whose law of roughness it follows
    ceiling_20: float
    ceiling_60: float
    panel_sd: float
    patch_sd: float
    step_sd: float
    spot_sd: float
    meter_sd: float  # GU, one reading
    slack: float  # sanded films read below the optics at 60 degrees
    slack_sd: float
    sanded: FloatArray  # roughness by grit
    cut: Stage  # tables by (pad, product)
    polish: Stage  # single numbers
    depth_um: FloatArray  # kind 4: mean scratch depth by grit
    own_depth_um: FloatArray  # kind 4: mean depth of the scratches a pad leaves, by pad
    sand_um: FloatArray  # film removed in sanding, by grit
    cut_um: FloatArray  # film removed a pass, by (pad, product)
    polish_um: float
    removal_sd: float  # of ln removal, from patch to patch
    thin_share: float  # share of patches on a thin spot
    haze_gain: float
    haze_pad: FloatArray
    haze_sd: float  # patch to patch, haze units
    haze_meter_sd: float
    grit_faults: FloatArray
    grit_faults_passes: FloatArray  # cut passes that take out 63 % of them, by pad
    pad_faults: FloatArray
    base_faults: float
    stray: float  # kind 6: chance of a failed patch after the coarsest grit, 13: of any patch; else 0
    misread: float  # kinds 6 and 12: chance that one reading is grossly low; else 0
    setup_minutes: FloatArray  # by step
    wipe_minutes: float
    sand_pass_minutes: FloatArray  # by grit
    cut_pass_minutes: FloatArray  # by pad
    polish_pass_minutes: float
    minutes_sd: float  # of ln minutes
    share_wanted: float  # share of processes that shall reach the goal; sets its figure
    wear: float  # kind 8: what a pad adds over its life; else 0
    hands: float  # kind 9: half of what two technicians differ by; else 0
    lot_sd: float  # kind 10: from drum to drum of product; else 0

    @property
    def job_shifts(self) -> FloatArray:
        """What the day may add to ln(roughness) of a whole job, equally likely values."""
        if self.hands:
            return np.array([-self.hands, self.hands])
        if self.wear:
            return self.wear * ((np.arange(PAD_PATCHES) + 0.5) / PAD_PATCHES - 0.5)
        return np.zeros(1)

    @property
    def between_jobs_sd(self) -> float:
        """SD of ln(roughness) that the sections of a job share: its panel and its drum of product."""
        return float(np.hypot(self.panel_sd, self.lot_sd))


@dataclass(frozen=True)
class Typical:
    """What processes leave on a typical patch, arrays of shape (n,) or (n, 3 steps)."""

    log_roughness: FloatArray
    haze_weight: FloatArray
    faults: FloatArray
    stray: FloatArray
    removed_um: FloatArray
    minutes: FloatArray


def typical(shop: Shop, p: Processes) -> Typical:
    """Return what each process leaves on a typical patch, and the minutes it takes there."""
    coarse = np.exp(-p.cut / shop.grit_faults_passes[p.pad])
    worked = p.cut > 0
    unpolished = np.exp(-p.polish / 1.3)
    left_by_pad = worked * unpolished
    minutes = np.stack(
        [
            shop.setup_minutes[0] + SAND_PASSES * shop.sand_pass_minutes[p.grit] + shop.wipe_minutes,
            worked * (shop.setup_minutes[1] + shop.wipe_minutes) + p.cut * shop.cut_pass_minutes[p.pad],
            (p.polish > 0) * (shop.setup_minutes[2] + shop.wipe_minutes)
            + p.polish * shop.polish_pass_minutes,
        ],
        axis=1,
    )
    return Typical(
        log_roughness=np.log(_roughness(shop, p)),
        haze_weight=np.exp(shop.haze_pad[p.pad] * left_by_pad),
        faults=shop.base_faults + shop.grit_faults[p.grit] * coarse + shop.pad_faults[p.pad] * left_by_pad,
        stray=np.full(len(coarse), shop.stray)
        if shop.kind == 13
        else shop.stray * np.array([1.0, 0.75, 0.5])[p.grit] * (0.3 + 0.7 * coarse),
        removed_um=_removed(shop, p),
        minutes=minutes,
    )


def _removed(shop: Shop, p: Processes) -> FloatArray:
    """Film removed in each step, micrometres: pressure x speed x time, so linear in passes (Preston 1927)."""
    return np.stack(
        [shop.sand_um[p.grit], p.cut * shop.cut_um[p.pad, p.product], p.polish * shop.polish_um], axis=1
    )


def _roughness(shop: Shop, p: Processes) -> FloatArray:
    """Roughness after sanding, cutting and polishing; a left-out step leaves it as it was."""
    sanded = shop.sanded[p.grit]
    if shop.law == 4:
        cut, polished = _worn(shop, p, sanded)
    else:
        law = _LAWS[shop.law]
        table = shop.cut
        stage = replace(
            table,
            **{
                name: getattr(table, name)[p.pad, p.product]
                for name in ("floor", "tau", "slows", "power", "best", "harm")
            },
        )
        cut = np.where(p.cut > 0, law(sanded, p.cut, stage), sanded)
        polished = np.where(p.polish > 0, law(cut, p.polish, shop.polish), cut)
    return np.stack([sanded, cut, polished], axis=1)


# --- the laws: roughness before, passes, stage -> roughness after ------------------------------


def _exponential(x: FloatArray, n: FloatArray, stage: Stage) -> FloatArray:
    return stage.floor + (x - stage.floor) * np.exp(-n / stage.tau)


def _power(x: FloatArray, n: FloatArray, stage: Stage) -> FloatArray:
    return x * (1 + n / stage.slows) ** -stage.power


def _climbing(x: FloatArray, n: FloatArray, stage: Stage) -> FloatArray:
    start, plateau = np.exp(-(x**2)), np.exp(-(stage.floor**2))
    share = plateau - (plateau - start) * np.exp(-n / stage.tau)
    return np.exp(log_roughness(share))


def _overworked(x: FloatArray, n: FloatArray, stage: Stage) -> FloatArray:
    return np.hypot(_exponential(x, n, stage), stage.harm * np.maximum(n - stage.best, 0))


def _s_shaped(x: FloatArray, n: FloatArray, stage: Stage) -> FloatArray:
    return stage.floor + (x - stage.floor) * np.exp(-((n / stage.tau) ** stage.shape))


_LAWS: dict[int, Callable[[FloatArray, FloatArray, Stage], FloatArray]] = {
    1: _exponential,
    2: _power,
    3: _climbing,
    5: _overworked,
    6: _exponential,
    7: _s_shaped,
}

#: Depths of a population of scratches, in units of their mean: 32 classes of equal share.
_DEPTHS = (-np.log1p(-(np.arange(32) + 0.5) / 32)) ** (1 / 1.6)
_DEPTHS = _DEPTHS / _DEPTHS.mean()


def _left(mean_depth: FloatArray, removed: FloatArray) -> FloatArray:
    """Share of a population's scatter left when the film has been taken down by `removed`."""
    rest = np.maximum(_DEPTHS - (removed / mean_depth)[:, None], 0)
    return (rest**2).mean(axis=1) / (_DEPTHS**2).mean()


def _worn(shop: Shop, p: Processes, sanded: FloatArray) -> tuple[FloatArray, FloatArray]:
    removed = _removed(shop, p)
    depth = shop.depth_um[p.grit]
    by_pad = (p.cut > 0) * shop.cut.floor[p.pad, p.product] ** 2
    cut = sanded**2 * _left(depth, removed[:, 1]) + by_pad
    polished = (
        sanded**2 * _left(depth, removed[:, 1] + removed[:, 2])
        + by_pad * _left(shop.own_depth_um[p.pad], removed[:, 2])
        + (p.polish > 0) * shop.polish.floor**2
    )
    return np.sqrt(cut), np.sqrt(polished)


#: Chance of a patch that fails at every spot (the most that any process has), and of a misread spot.
_STRAY = {6: (0.03, 0.08), 13: (0.008, 0.018)}
_MISREAD = {6: (0.01, 0.025), 12: (0.03, 0.05)}

# --- the draw ----------------------------------------------------------------------------------


def draw_shop(kind: int, seed: int) -> Shop:
    """Draw the shop of a kind and seed; the same two always give the same shop."""
    rng = np.random.default_rng([kind, seed])
    law = _LAW_OF.get(kind, kind)

    def spread(centre: Any, sd: float) -> FloatArray:
        return np.asarray(centre, float) * np.exp(rng.normal(0, sd, np.shape(centre)))

    def by_pad_and_product(pads: Any, pad_sd: float, product_sd: float, cell_sd: float) -> FloatArray:
        """Effects of pad and product, and what is particular to a pair of them."""
        pair = np.exp(rng.normal(0, product_sd, (1, 2))) * np.exp(rng.normal(0, cell_sd, (3, 2)))
        return spread(pads, pad_sd)[:, None] * pair

    index = rng.uniform(1.50, 1.54)
    ceiling_20, ceiling_60 = ceiling_gloss(index, [20, 60])
    p1500 = rng.uniform(1.5, 4.4)
    p2000 = max(rng.uniform(4, 11), 1.5 * p1500)
    sanded = np.exp(log_roughness(np.array([p1500, p2000, rng.uniform(18, 42)]) / ceiling_20))
    tau = by_pad_and_product([1.6, 1.9, 2.2], 0.12, 0.12, 0.12)
    floor = by_pad_and_product([0.37, 0.30, 0.23], 0.12, 0.10, 0.12)
    cut = Stage(
        floor=floor,
        tau=tau * {3: 1.1, 7: 1.7}.get(law, 1.0),
        slows=by_pad_and_product([0.55, 0.9, 1.3], 0.15, 0.10, 0.10),
        power=by_pad_and_product([0.60, 0.75, 0.95], 0.04, 0.03, 0.03),
        best=rng.uniform(4, 9, (3, 2)),
        harm=by_pad_and_product([0.10, 0.07, 0.05], 0.2, 0.1, 0.2),
        shape=rng.uniform(1.7, 2.4),
    )
    polish = Stage(
        floor=rng.uniform(0.07, 0.10),
        tau=rng.uniform(2.0, 2.8) * {3: 0.9, 7: 1.6}.get(law, 1.0),
        slows=rng.uniform(0.7, 1.1),
        power=rng.uniform(0.55, 0.70),
        best=rng.uniform(3, 7),
        harm=rng.uniform(0.03, 0.06),
        shape=rng.uniform(1.5, 2.2),
    )
    sand_um = np.sort(spread([9.0, 3.5, 2.0], 0.15))[::-1]
    return Shop(
        kind=kind,
        seed=seed,
        law=law,
        ceiling_20=float(ceiling_20),
        ceiling_60=float(ceiling_60),
        panel_sd=rng.uniform(0.02, 0.06) if kind != 11 else rng.uniform(0.09, 0.14),
        patch_sd=rng.uniform(0.02, 0.05),
        step_sd=rng.uniform(0.005, 0.015),
        spot_sd=rng.uniform(0.01, 0.02),
        meter_sd=rng.uniform(0.3, 0.8),
        slack=rng.uniform(0.18, 0.24),
        slack_sd=rng.uniform(0.01, 0.03),
        sanded=sanded,
        cut=cut,
        polish=polish,
        depth_um=np.array([12.6, 10.3, 7.0]) * rng.uniform(0.075, 0.105),
        own_depth_um=spread([0.26, 0.19, 0.13], 0.15),
        sand_um=sand_um,
        cut_um=by_pad_and_product([0.44, 0.34, 0.26], 0.1, 0.08, 0.08),
        polish_um=rng.uniform(0.06, 0.10),
        removal_sd=rng.uniform(0.10, 0.15),
        thin_share=rng.uniform(0.01, 0.02),
        haze_gain=rng.uniform(480, 600),
        haze_pad=spread([0.5, 0.3, 0.15], 0.2),
        haze_sd=rng.uniform(0.6, 1.4),
        haze_meter_sd=rng.uniform(0.3, 0.7),
        grit_faults=spread([2.4, 1.4, 0.6], 0.2),
        grit_faults_passes=spread([1.1, 1.3, 1.6], 0.1),
        pad_faults=spread([1.6, 0.9, 0.4], 0.2),
        base_faults=rng.uniform(0.01, 0.03),
        stray=rng.uniform(*_STRAY[kind]) if kind in _STRAY else 0.0,
        misread=rng.uniform(*_MISREAD[kind]) if kind in _MISREAD else 0.0,
        setup_minutes=rng.uniform(0.3, 0.6, 3),
        wipe_minutes=rng.uniform(0.3, 0.5),
        # Where a fine grit would win in every shop, it has its price.
        sand_pass_minutes=np.sort(spread([0.44, 0.60, 0.94] if law in (2, 4) else [0.46, 0.53, 0.66], 0.12)),
        cut_pass_minutes=spread([0.62, 0.66, 0.68], 0.10),
        polish_pass_minutes=float(spread(0.76, 0.12)),
        minutes_sd=rng.uniform(0.04, 0.06),
        share_wanted=rng.uniform(0.12, 0.28) if kind != 14 else 0.03,
        wear=rng.uniform(0.10, 0.20) if kind == 8 else 0.0,
        hands=rng.uniform(0.03, 0.07) if kind == 9 else 0.0,
        lot_sd=rng.uniform(0.03, 0.06) if kind == 10 else 0.0,
    )

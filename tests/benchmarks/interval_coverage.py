"""How often 90 % intervals hold what they are said to hold: of a process's mean, and of the next job on a new panel.

Invented studies with a known truth: 24 trials on 3, 4 or 8 panels of unequal size, four settings,
panels that differ 0.5, 1 and 2 times as much as patches do. Wanted: 89 to 95 % (nominal -1 to
+5 points). Of the mean both ways are shown: averaged over how much panels may differ, as the next
job is, and by Kenward and Roger's degrees of freedom, as differences of levels are. The wrong
analysis beside them leaves the panels out. Seeds are in the table.

Run: python tests/benchmarks/interval_coverage.py [studies a cell, 2000 when not given]
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import sys
import time

import numpy as np
from scipy import stats

from finishlab.statistics import Mixture, contrasts, fit_mixed, fit_panels

PANELS = (3, 4, 8)
RATIOS = (0.5, 1.0, 2.0)
TRIALS, SETTINGS, COVER = 24, 4, 0.9
WAYS = (
    "next job",
    "mean, spreads averaged",
    "mean, Kenward-Roger",
    "next job, no panels",
    "mean, no panels",
)


def study(rng: np.random.Generator, panels: int, panel_sd: float) -> tuple[np.ndarray, ...]:
    """Return model matrix, readings, panels and the process asked about; the true mean is 0 everywhere."""
    panel = rng.permutation(
        np.r_[np.repeat(np.arange(panels), 2), rng.integers(0, panels, TRIALS - 2 * panels)]
    )
    x = np.column_stack([np.ones(TRIALS), rng.uniform(-1, 1, (TRIALS, SETTINGS))])
    y = panel_sd * rng.standard_normal(panels)[panel] + rng.standard_normal(TRIALS)
    return x, y, panel, np.r_[1.0, rng.uniform(-1, 1, SETTINGS)]


def held(rng: np.random.Generator, panels: int, panel_sd: float) -> list[float]:
    """
    Return how often each interval of one study holds what it should, in the order of `WAYS`.

    The next job is counted exactly: it is normal about 0 with the variances of panel and patch.
    """
    x, y, panel, at = study(rng, panels, panel_sd)
    tails = ((1 - COVER) / 2, (1 + COVER) / 2)
    true = stats.norm(0, np.hypot(panel_sd, 1.0))
    out = []
    fit = fit_panels(x, y, panel)
    low, high = (float(fit.next_row(at[None]).quantile(t)[0]) for t in tails)
    out.append(float(true.cdf(high) - true.cdf(low)))
    mean_of = Mixture(*fit.drawn(at[None]), fit.df_resid)
    low, high = (float(mean_of.quantile(t)[0]) for t in tails)
    out.append(float(low <= 0 <= high))
    low, high = (float(e[0]) for e in contrasts(fit_mixed(y, x, {"panel": panel}), at).interval(COVER))
    out.append(float(low <= 0 <= high))
    plain = fit_panels(x, y)
    mean, se = plain.predict(at[None])
    reach = stats.t.ppf(tails[1], plain.df_resid)
    next_reach = reach * np.hypot(se[0], plain.residual_sd)
    out.append(float(true.cdf(mean[0] + next_reach) - true.cdf(mean[0] - next_reach)))
    out.append(float(abs(mean[0]) <= reach * se[0]))
    return out


def cell(panels: int, ratio: float, studies: int) -> tuple[int, np.ndarray, np.ndarray]:
    """Return the seed of a cell, the share held by each way and its standard error."""
    seed = 100 * panels + int(10 * ratio)
    rng = np.random.default_rng(seed)
    every = np.array([held(rng, panels, ratio) for _ in range(studies)])
    return seed, every.mean(axis=0), every.std(axis=0, ddof=1) / np.sqrt(studies)


def main() -> None:
    """Print the table."""
    studies = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    print(
        f"share held by {COVER:.0%} intervals, in %, +/- standard error; {studies} studies of {TRIALS} trials a cell"
    )
    print(f"{'panels':>6} {'panel/patch':>11} {'seed':>5}  " + "  ".join(f"{w:>24}" for w in WAYS))
    start = time.perf_counter()
    for panels in PANELS:
        for ratio in RATIOS:
            seed, share, error = cell(panels, ratio, studies)
            cells = "  ".join(
                f"{100 * s:>17.1f} +/- {100 * e:.1f}" for s, e in zip(share, error, strict=True)
            )
            print(f"{panels:>6} {ratio:>11} {seed:>5}  {cells}", flush=True)
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()

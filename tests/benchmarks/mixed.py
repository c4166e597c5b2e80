"""Time and memory of mixed models: from a study of 40 trials to 20,000 trials on 2,000 panels.

Run: python tests/benchmarks/mixed.py
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import multiprocessing
import resource
import time

import numpy as np

from finishlab.statistics import contrasts, fit_mixed

#: Trials, panels, random terms.
SIZES = (
    (40, 8, ("panel",)),
    (40, 8, ("panel", "half", "technician")),
    (5_000, 500, ("panel", "half", "technician")),
    (10_000, 1_000, ("panel", "half", "technician")),
    (20_000, 2_000, ("panel",)),
    (20_000, 2_000, ("panel", "half", "technician")),
)
COLUMNS = 10


def work(trials: int, panels: int, terms: tuple[str, ...], out: multiprocessing.SimpleQueue) -> None:
    """Fit one size in a process of its own and hand over seconds of fit and of one contrast, and MB at most."""
    rng = np.random.default_rng(1)
    panel = np.repeat(np.arange(panels), trials // panels)
    half = 2 * panel + rng.integers(0, 2, trials)
    technician = rng.integers(0, 5, trials)
    x = np.column_stack([np.ones(trials), rng.uniform(-1, 1, (trials, COLUMNS - 1))])
    y = (
        80
        + x @ rng.normal(size=COLUMNS)
        + rng.normal(0, 1, panels)[panel]
        + rng.normal(0, 0.5, 2 * panels)[half]
    )
    y += rng.normal(0, 0.3, 5)[technician] + rng.normal(0, 1, trials)
    labels = {"panel": panel, "half": half, "technician": technician}
    groups = {name: labels[name] for name in terms}
    if trials < 1000:  # warm
        fit_mixed(y, x, groups)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.perf_counter()
    fit = fit_mixed(y, x, groups)
    fitted = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    start = time.perf_counter()
    contrasts(fit, np.eye(COLUMNS)[1])
    out.put((fitted, time.perf_counter() - start, before / 1024, peak / 1024))


def main() -> None:
    """Print the table."""
    print(
        f"{'trials':>7} {'panels':>7}  {'fit, s':>8}  {'df, s':>8}  {'MB before':>9}  {'MB at most':>10}  terms"
    )
    for trials, panels, terms in SIZES:
        own = multiprocessing.get_context("spawn")
        out = own.SimpleQueue()
        process = own.Process(target=work, args=(trials, panels, terms, out))
        process.start()
        fitted, df, before, peak = out.get()
        process.join()
        print(
            f"{trials:>7} {panels:>7}  {fitted:>8.3f}  {df:>8.3f}  {before:>9.0f}  {peak:>10.0f}  {', '.join(terms)}"
        )


if __name__ == "__main__":
    main()

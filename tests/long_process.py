"""An invented shop of four steps with factors in each, for tests of the step model.

Its law is written here in a few lines and shares nothing with the models: what is rough by
x (4 pi sigma cos 20 / lambda) comes down to a floor as exp(-k n), gloss is
ceiling exp(-x^2).
"""

import numpy as np
import pandas as pd

from finishlab.study import Study

TOML = """
title = "Invented doors"
pass_means = "one direction"
[[step]]
name = "sand"
grit = ["P1500", "P2000"]
tool = ["block", "orbital"]
[[step]]
name = "refine"
grit = "P3000"
passes = { lowest = 0, highest = 4 }
[[step]]
name = "cut"
pad = ["wool", "foam"]
product = ["compound A", "compound B"]
speed = { lowest = 900, highest = 1800, by = 300 }
seconds = { lowest = 45, highest = 225, by = 45 }
[[step]]
name = "polish"
pad = ["medium foam", "soft foam"]
passes = { lowest = 0, highest = 4 }
[goal]
gloss_20 = { at_least = 80 }
assurance = 0.9
[reading]
spots = 3
after = ["sand", "refine", "cut", "polish"]
"""
STUDY = Study.from_toml(TOML)
CEILING = 87.0


def roughness(p, shift=0.0, step_shift=None, start=None, far=0.0):
    """Return x after each step, shape (processes, 4); `shift` is ln x of panel and patch.

    `far` moves floors and rates by so many prior SDs from where they would be.
    """
    n = len(p)
    x = np.full(n, 0.15) if start is None else np.asarray(start, float)
    away = np.exp(far * 0.6)
    speed = (p["cut_speed"].astype(float).to_numpy() - 1350) / 450
    floors = [
        np.where(p["sand_grit"] == "P1500", 1.8, 1.4) * np.where(p["sand_tool"] == "orbital", 0.92, 1.0),
        np.full(n, 0.95),
        np.where(p["cut_pad"] == "wool", 0.42, 0.33)
        * np.where(p["cut_product"] == "compound A", 1.08, 1.0)
        * np.exp(-0.05 * speed)
        * away,
        np.where(p["polish_pad"] == "soft foam", 0.15, 0.2) * away,
    ]
    rates = [
        np.full(n, 3.0),
        np.full(n, 0.7),
        np.where(p["cut_pad"] == "wool", 0.7, 0.5) / away**0.5,
        np.full(n, 0.8),
    ]
    amounts = [
        np.ones(n),
        p["refine_passes"].astype(float).to_numpy(),
        p["cut_seconds"].astype(float).to_numpy() / 45,
        p["polish_passes"].astype(float).to_numpy(),
    ]
    out = []
    for floor, rate, amount in zip(floors, rates, amounts, strict=True):
        x = floor + (x - floor) * np.exp(-rate * amount)
        out.append(x)
    return np.column_stack(out) * np.exp(np.asarray(shift, float))[..., None]


def processes(n, seed):
    """Return processes at random."""
    rng = np.random.default_rng(seed)
    return pd.DataFrame(
        {f.factor: [f.levels[i] for i in rng.integers(len(f.levels), size=n)] for f in STUDY.factors}
    )


def true_gloss(p, ceiling=CEILING, **how):
    """Return the typical 20-degree gloss after each step."""
    return ceiling * np.exp(-(roughness(p, np.zeros(len(p)), **how) ** 2))


def work(p, seed, panels=4, panel_sd=0.04, patch_sd=0.035, meter=0.4, extra=0.0, ceiling=CEILING, **how):
    """Return the trials as a technician would log them; `extra` is ln x of anything else, by trial."""
    rng = np.random.default_rng(seed)
    n = len(p)
    panel = np.arange(n) % panels
    shift = rng.normal(0, panel_sd, panels)[panel] + rng.normal(0, patch_sd, n) + extra
    x = roughness(p, shift, **how)
    table = p.assign(
        panel=[f"P{i + 1}" for i in panel], minutes=6.0 + 0.01 * (np.arange(n) % 7), technician="T1"
    )
    for j, step in enumerate(["sand", "refine", "cut", ""]):
        name = f"{step}_gloss" if step else "gloss"
        at_20 = ceiling * np.exp(-(x[:, j] ** 2))
        # At 60 degrees the same roughness counts by cos 60 / cos 20; sanded films read a little lower.
        lost = x[:, j] ** 2 * (np.cos(np.pi / 3) / np.cos(np.pi / 9)) ** 2 * (1 + 0.2 * x[:, j] ** 2)
        at_60 = (ceiling + 5) * np.exp(-lost)
        for k in range(3):
            table[f"{name}_20_{k + 1}"] = np.maximum(at_20 + rng.normal(0, meter, n), 0).round(1)
            table[f"{name}_60_{k + 1}"] = np.maximum(at_60 + rng.normal(0, meter, n), 0).round(1)
    return table

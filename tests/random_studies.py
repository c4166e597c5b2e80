"""Invented studies of random shape, with trials of an invented shop: for tests that must not depend on one study."""

import numpy as np
import pandas as pd

from finishlab import Study


def random_study(rng: np.random.Generator) -> Study:
    """Return a study of one to three steps with a few hundred processes at most."""
    names = ["sand", "cut", "polish"][: int(rng.integers(1, 4))]
    text = ['title = "Random (invented)"', 'pass_means = "one direction"']
    for name in names:
        text += ["[[step]]", f'name = "{name}"']
        if name == "sand":
            text.append(f"grit = {['P1500', 'P2000', 'P3000'][: int(rng.integers(2, 4))]}".replace("'", '"'))
        elif rng.random() < 0.7:
            text.append(
                f"pad = {['wool', 'foam', 'microfibre'][: int(rng.integers(2, 4))]}".replace("'", '"')
            )
        if rng.random() < 0.5:
            text.append(f"changeover_minutes = {int(rng.integers(1, 5))}")
        low = int(rng.integers(0, 2)) if name != names[0] else 1
        text.append(f"passes = {{ lowest = {low}, highest = {low + int(rng.integers(2, 6))} }}")
    text += ["[goal]", "gloss_20 = { at_least = 80 }", "assurance = 0.9"]
    if rng.random() < 0.4:
        text += ["[limit]", 'removed_um = { at_most = 9, set_by = "the test", assurance = 0.9 }']
    if rng.random() < 0.4:
        text += ["[job]", f"sections = {int(rng.integers(2, 7))}"]
        if rng.random() < 0.3:
            text.append('accept = "mean of sections"')
    if rng.random() < 0.3:
        text += ["[reading]", f"wait_minutes = {int(rng.integers(1, 6))}"]
    if rng.random() < 0.3:
        text += ["[[avoid]]", f"{names[-1]}_passes = {{ at_least = 5 }}"]
    return Study.from_toml("\n".join(text))


def random_trials(study: Study, rng: np.random.Generator, count: int = 14) -> pd.DataFrame:
    """Return trials of random processes on four panels, from a shop whose gloss rises with every pass."""
    grid = np.concatenate(list(study.basis.chunks()))
    table = study.basis.frame(grid[rng.integers(len(grid), size=count)])
    panel = np.arange(count) % 4
    z = -0.1 + 0.1 * rng.standard_normal(4)[panel] + 0.06 * rng.standard_normal(count)
    minutes, removed = np.full(count, 1.0), np.full(count, 1.0)
    for step in study.steps:
        passes = table[f"{step.name}_passes"].to_numpy(float)
        z = z - (0.15 + 0.1 * rng.random()) * passes
        minutes = minutes + (0.5 + rng.random()) * passes
        removed = removed + 0.4 * passes
    gloss = 88 * np.exp(-np.exp(2 * z)) + 0.4 * rng.standard_normal(count)
    return table.assign(
        trial=np.arange(1, count + 1),
        panel=[str(p + 1) for p in panel],
        patch=np.arange(count) // 4 + 1,
        gloss_20=np.clip(gloss, 0.5, 92),
        minutes=minutes * (1 + 0.03 * rng.standard_normal(count)),
        removed_um=removed + 0.5 * rng.standard_normal(count) ** 2,
    )

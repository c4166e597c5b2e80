"""How good is the search for settings? The same problems, beside general-purpose libraries.

    python tests/benchmarks/plan_libraries.py                 # ours, beside the figures kept below
    python plan_libraries.py --run pyoptex                    # where that library is installed

Both criteria: D, the determinant of the information to the power of one over its terms (a trial,
where trials stand alone), large is good; I, the variance of a prediction, mean over every
combination of the levels, small is good. A ratio of 1 is the best design of all libraries, more
is better, for I as for D. Everybody's designs are scored here, with one coding.

The libraries clash with what we use, so each runs in an environment of its own and this script
holds what it found there: `--run` needs the library and numpy only, not finishlab.
"""

from __future__ import annotations

import argparse
import itertools
import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import numpy as np

SEED = 1
#: (problem, criterion) -> what each library's best design comes to, and seconds a start.
#: pyoptex 1.2.1, doekit 0.9.1, optdesign 1.0.0; Python 3.11, one thread, 2026-11-25; seed and
#: starts as in `problems`. A library that does not know panels is not asked about them.
THEIRS: dict[tuple[str, str], dict[str, tuple[float, float]]] = {
    ("30 trials, 14 terms", "D"): {
        "pyoptex": (0.49745, 0.147),
        "doekit": (0.49570, 2.788),
        "optdesign": (0.49350, 0.006),
    },
    ("30 trials, 14 terms", "I"): {"pyoptex": (0.47045, 0.316), "doekit": (0.46889, 21.823)},
    ("30 trials, all pairs (30 terms)", "D"): {
        "pyoptex": (0.40633, 0.174),
        "doekit": (0.39805, 0.076),
        "optdesign": (0.38889, 0.019),
    },
    ("30 trials, all pairs (30 terms)", "I"): {"pyoptex": (1.47451, 0.770), "doekit": (1.55925, 31.644)},
    ("30 trials on 4 panels", "D"): {"pyoptex": (12.47663, 0.137)},
    ("30 trials on 4 panels", "I"): {"pyoptex": (0.73622, 0.381)},
    ("30 trials on 6 panels, grit by panel", "D"): {"pyoptex": (9.98642, 0.165)},
    ("30 trials on 6 panels, grit by panel", "I"): {"pyoptex": (0.98694, 0.481)},
    ("60 trials, 8 numbers (45 terms)", "D"): {
        "pyoptex": (0.50761, 1.916),
        "doekit": (0.50922, 16.282),
        "optdesign": (0.49043, 1.206),
    },
    ("60 trials, 8 numbers (45 terms)", "I"): {"pyoptex": (0.79466, 5.044)},
    ("60 trials, 5 numbers and 3 choices (27 terms)", "D"): {
        "pyoptex": (0.51292, 0.557),
        "doekit": (0.51232, 17.359),
        "optdesign": (0.50450, 0.284),
    },
    ("60 trials, 5 numbers and 3 choices (27 terms)", "I"): {"pyoptex": (0.43846, 2.360)},
}

_NUMBER = np.array([-1.0, 0.0, 1.0])
_CHOICE = np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, -1.0]])


@dataclass(frozen=True)
class Task:
    """Settings and terms of a problem, and how its trials stand on panels."""

    name: str
    numbers: int
    choices: int  # of three levels each, after the numbers
    pairs: str  # of which settings the products are terms: "numbers" or "all"
    rows: int
    starts: int
    panels: int = 0
    by_panel: bool = False  # the first choice (grit) stays the same over a panel

    @property
    def panel(self) -> np.ndarray:
        """Which panel each trial is on."""
        return np.repeat(
            np.arange(self.panels), [len(p) for p in np.array_split(np.arange(self.rows), self.panels)]
        )

    @property
    def weight(self) -> np.ndarray:
        """Inverse covariance of the trials: panels scatter as much as trials do."""
        if not self.panels:
            return np.eye(self.rows)
        return np.linalg.inv(np.eye(self.rows) + (self.panel[:, None] == self.panel[None, :]))

    @property
    def levels(self) -> list[np.ndarray]:
        """What each setting may be; choices by number."""
        return [_NUMBER] * self.numbers + [np.arange(3.0)] * self.choices

    @property
    def grid(self) -> np.ndarray:
        """Every combination."""
        return np.array(list(itertools.product(*self.levels)))

    def matrix(self, values: np.ndarray) -> np.ndarray:
        """Return the model matrix of settings."""
        coded = [values[:, [j]] for j in range(self.numbers)]
        coded += [_CHOICE[values[:, j].astype(int)] for j in range(self.numbers, values.shape[1])]
        return self.terms(coded)

    def terms(self, coded: list[np.ndarray]) -> np.ndarray:
        """Return constant, settings, squares of numbers and products, from coded settings."""
        columns = [np.ones((len(coded[0]), 1)), *coded, *[c**2 for c in coded[: self.numbers]]]
        for a, b in itertools.combinations(range(len(coded)), 2):
            if self.pairs == "all" or b < self.numbers:
                columns.append((coded[a][:, :, None] * coded[b][:, None, :]).reshape(len(coded[a]), -1))
        return np.hstack(columns)

    def score(self, values: np.ndarray) -> dict[str, float]:
        """Return D and I of a design."""
        x, every = self.matrix(values), self.matrix(self.grid)
        information = x.T @ self.weight @ x
        d = float(np.exp(np.linalg.slogdet(information)[1] / x.shape[1]))
        i = float(np.einsum("ij,jk,ik->i", every, np.linalg.inv(information), every).mean())
        return {"D": d if self.panels else d / self.rows, "I": i}


def problems() -> list[Task]:
    """Return the problems."""
    return [
        Task("30 trials, 14 terms", 3, 2, "numbers", 30, 80),
        Task("30 trials, all pairs (30 terms)", 3, 2, "all", 30, 80),
        Task("30 trials on 4 panels", 3, 2, "numbers", 30, 30, panels=4),
        Task("30 trials on 6 panels, grit by panel", 3, 2, "numbers", 30, 30, panels=6, by_panel=True),
        Task("60 trials, 8 numbers (45 terms)", 8, 0, "numbers", 60, 10),
        Task("60 trials, 5 numbers and 3 choices (27 terms)", 5, 3, "numbers", 60, 10),
    ]


# --- theirs: needs the library and numpy ----------------------------------------------------------


def pyoptex(task: Task, criterion: str) -> np.ndarray:
    """Coordinate exchange, panels as random effects."""
    from pyoptex._seed import set_seed
    from pyoptex.doe.fixed_structure import (
        Factor,
        RandomEffect,
        create_fixed_structure_design,
        create_parameters,
        default_fn,
    )
    from pyoptex.doe.fixed_structure.metric import Dopt, Iopt

    class OverGrid(Iopt):
        """I over the levels, not over all numbers between them: everybody is asked the same."""

        def preinit(self, params: Any) -> None:
            every = task.matrix(task.grid)
            self.moments = every.T @ every / len(every)

    set_seed(SEED)
    panel = RandomEffect(task.panel, ratio=1.0) if task.panels else None
    factors = [Factor(f"n{j}", type="continuous", min=-1, max=1) for j in range(task.numbers)]
    for j in range(task.choices):
        own = {"re": panel} if task.by_panel and j == 0 else {}
        factors.append(Factor(f"c{j}", type="categorical", levels=["0", "1", "2"], **own))
    ends = np.cumsum([1] * task.numbers + [2] * task.choices)[:-1]
    metric = OverGrid() if criterion == "I" else Dopt()
    fn = default_fn(factors, metric, lambda coded: task.terms(np.split(coded, ends, axis=1)))
    blocks = [panel] if panel is not None and not task.by_panel else []
    params = create_parameters(factors, fn, task.rows, block_effects=blocks)
    design, _ = create_fixed_structure_design(params, n_tries=task.starts)
    return design.to_numpy().astype(float)


def doekit(task: Task, criterion: str) -> np.ndarray:
    """Exchange of whole trials with a list of all."""
    from doekit.domain.criteria import get_criterion
    from doekit.generation.search.optimal import fedorov_exchange, kl_exchange

    every = task.matrix(task.grid)
    best, most = task.grid[: task.rows], -np.inf
    for start in range(3 if criterion == "I" else 10):
        rng = np.random.default_rng(SEED + start)
        if criterion == "D":
            chosen = kl_exchange(every, task.rows, candidates_l=40, rng=rng)
        else:
            chosen = fedorov_exchange(every, task.rows, get_criterion("I"), moment_matrix=every, rng=rng)
        found = task.score(task.grid[chosen])[criterion] * (1 if criterion == "D" else -1)
        if found > most:
            best, most = task.grid[chosen], found
    return best


def optdesign(task: Task, criterion: str) -> np.ndarray:
    """Exchange of whole trials with a list of all, D only."""
    from optdesign import opt_dmetric

    every = task.matrix(task.grid)
    best, most = task.grid[: task.rows], -np.inf
    for start in range(task.starts):
        shuffled = np.random.default_rng(SEED + start).permutation(len(every))
        chosen = shuffled[opt_dmetric(every[shuffled], task.rows)[: task.rows]]
        if (found := task.score(task.grid[chosen])["D"]) > most:
            best, most = task.grid[chosen], found
    return best


# --- ours ------------------------------------------------------------------------------------------


def ours(task: Task, criterion: str) -> np.ndarray:
    """The search that plan_trials uses."""
    from finishlab.plan.exchange import Problem, exchange, free

    plain = free(task.levels, task.rows, task.matrix)
    every = task.matrix(task.grid)
    changes: dict[str, Any] = {"weight": task.weight}
    if task.by_panel:
        changes["units"] = [task.panel if j == task.numbers else u for j, u in enumerate(plain.units)]
    if criterion == "I":
        changes["moments"] = every.T @ every / len(every)
    return exchange(Problem(**vars(plain) | changes), starts=task.starts, rng=np.random.default_rng(SEED))[0]


LIBRARIES: dict[str, Callable[[Task, str], np.ndarray]] = {
    "pyoptex": pyoptex,
    "doekit": doekit,
    "optdesign": optdesign,
}


def run(library: str) -> None:
    """Print what a library finds, in the form in which `THEIRS` keeps it."""
    for task in problems():
        for criterion in ("D", "I"):
            if library == "optdesign" and criterion == "I":
                continue
            # Lists of thousands of trials: doekit would take hours for I.
            if library != "pyoptex" and (task.panels or (len(task.grid) > 1000 and criterion == "I")):
                continue
            begun = time.perf_counter()
            try:
                values = LIBRARIES[library](task, criterion)
            except Exception as error:
                print(f"# {library} {task.name} {criterion}: {type(error).__name__}: {error}", flush=True)
                continue
            seconds = (time.perf_counter() - begun) / task.starts
            score = task.score(values)[criterion]
            print(
                f'    ("{task.name}", "{criterion}"): {{"{library}": ({score:.5f}, {seconds:.3f})}},',
                flush=True,
            )


def beside() -> None:
    """Print our D and I on every problem, the best of the libraries, and the ratio."""
    import pandas as pd

    lines = []
    for task in problems():
        for criterion in ("D", "I"):
            begun = time.perf_counter()
            own = task.score(ours(task, criterion))[criterion]
            seconds = (time.perf_counter() - begun) / task.starts
            theirs = THEIRS[task.name, criterion]
            best = (max if criterion == "D" else min)(theirs, key=lambda name: theirs[name][0])
            lines.append(
                {
                    "problem": task.name,
                    "criterion": criterion,
                    "ours": own,
                    "best of them": theirs[best][0],
                    "by": best,
                    "ratio": own / theirs[best][0] if criterion == "D" else theirs[best][0] / own,
                    "seconds a start": seconds,
                    "theirs": theirs[best][1],
                    "starts": task.starts,
                }
            )
    table = pd.DataFrame(lines)
    print(table.round(4).to_string(index=False))
    print(f"\nsmallest ratio: {table['ratio'].min():.4f}")


def main() -> None:
    """Print the table, or what one library finds."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--run", choices=list(LIBRARIES), help="a library that is installed here")
    asked = parser.parse_args()
    if asked.run:
        run(asked.run)
    else:
        beside()


if __name__ == "__main__":
    main()

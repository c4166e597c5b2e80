"""The proving ground: many practice benches through the whole path, scored on their truth.

    python -m finishlab.proving --benches 100 --rows rows.csv
    python -m finishlab.proving --benches 1000 --rows rows.csv --cluster tcp://10.0.0.5:8786

For each bench: plan, work, fit, follow up, recommend; then the recipe's true probability
and true minutes, which only an invented shop can tell. Beside it the textbook's ways on the
same trials. One bench is `bench_path.py`'s; here are many at once, and their table.
Nothing here is used by the other rooms; no figure here says anything about a real paint.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import FinishlabError, PlanError
from finishlab.proving.bench_path import DESIGNS, OURS, SCENARIOS, WAYS, Task, plan, work_bench
from finishlab.words import show

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Plans of one shape; benches take them by turns, so that each is searched for once.
_PLANS = 12


@dataclass(frozen=True, eq=False)
class Proving:
    """
    How often the promise was kept, by scenario.

    Attributes
    ----------
    rows : DataFrame
        One row a bench and way: `scenario`, `seed`, `design`, `assurance`, `way`, `answered`,
        `true` (true probability of what was recommended), `ratio` (its true minutes over the
        best possible), `reachable`, `trials`, `seconds`, `error`.
    """

    rows: pd.DataFrame

    def text(self) -> str:
        """Say how the promise was kept, one sentence for each design and assurance."""
        said = []
        ours = self.rows[self.rows["way"] == OURS]
        for (design, assurance), some in ours.groupby(["design", "assurance"], sort=False):
            mean, error = _mean(some["true"])
            kept = some[some["true"] >= assurance]
            said.append(
                f"{DESIGNS[str(design)].words}, {show.asked_percent(float(str(assurance)))} asked: over {len(some)} practice benches the "
                f"recommended process truly reaches its goal in {mean:.3f} of jobs (standard error {error:.3f}); "
                f"{some.loc[some['reachable'], 'answered'].mean():.1%} of benches where that can be had were answered; "
                f"where the promise was kept, the median took {kept['ratio'].median():.3f} of the fewest minutes possible."
            )
        return " ".join(said)

    def table(self) -> pd.DataFrame:
        """
        Return one line a design, assurance, way and scenario, and one for all scenarios.

        `kept` is the mean true probability of what was recommended, `kept_low` and `kept_high`
        two standard errors about it; `sure` the share of recommendations that truly keep the
        promise; `lowest_tenth` the true probability that one recommendation
        in ten falls below; `answered` the share of benches answered where some process truly
        reaches 0.97; `minutes` the median of true minutes over the best possible among
        recommendations that truly keep the promise.
        """
        import pandas as pd

        lines = []
        for (design, assurance, way), some in self.rows.groupby(["design", "assurance", "way"], sort=False):
            for scenario, part in [*some.groupby("scenario", sort=False), ("all", some)]:
                told = part["true"].dropna()
                mean, error = _mean(told)
                kept = part[part["true"] >= float(str(assurance))]
                lines.append(
                    {
                        "design": design,
                        "assurance": assurance,
                        "way": way,
                        "scenario": scenario,
                        "benches": len(part),
                        "kept": mean,
                        "kept_low": mean - 2 * error,
                        "kept_high": mean + 2 * error,
                        "sure": float((told >= float(str(assurance))).mean()),
                        "lowest_tenth": told.quantile(0.1) if len(told) else np.nan,
                        "answered": part.loc[part["reachable"], "answered"].mean(),
                        "minutes": kept["ratio"].median(),
                        "trials": part["trials"].mean(),
                        "seconds": part["seconds"].mean(),
                        "failed": int((part["error"] != "").sum()),
                    }
                )
        return pd.DataFrame(lines)

    def to_dict(self) -> dict[str, Any]:
        """Return the table as plain Python."""
        return {"table": self.table().to_dict("records")}

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw how the promise was kept by scenario and way, for the first design and assurance."""
        from finishlab.figures.proving_figure import kept

        table = self.table()
        first = table.iloc[0]
        of_first = (table["design"] == first["design"]) & (table["assurance"] == first["assurance"])
        return kept(table[of_first], ax=ax)

    def _repr_html_(self) -> str:
        return show.sentence_and_table(self.text(), self.table())


def _mean(values: pd.Series) -> tuple[float, float]:
    """Return mean and standard error."""
    told = values.dropna()
    return float(told.mean()), float(told.std() / np.sqrt(len(told))) if len(told) > 1 else float("nan")


def prove(
    scenarios: Sequence[str] | None = None,
    *,
    benches: int = 100,
    first_seed: int = 1,
    designs: Sequence[str] = ("24",),
    assurances: Sequence[float] = (0.90,),
    ways: Sequence[str] = WAYS,
    jobs: int = -1,
    rows: Path | None = None,
) -> Proving:
    """
    Work practice benches of every kind through the whole path and score what is recommended.

    Parameters
    ----------
    scenarios : sequence of str, optional
        Of `SCENARIOS`; all when not given.
    benches : int
        Of each scenario; their seeds run from `first_seed`.
    first_seed : int
    designs : sequence of str
        Of `DESIGNS`.
    assurances : sequence of float
    ways : sequence of str
        Of `WAYS`.
    jobs : int
        Processes at once, as joblib counts them; -1 is one a core. Inside `on_cluster`,
        which is joblib's ``parallel_config(backend="dask")``, the same runs on a cluster.
    rows : Path, optional
        CSV file that every bench is added to as it is done. Benches that are in it already
        are not worked again.

    Returns
    -------
    Proving

    Raises
    ------
    PlanError
        A scenario, design or way is not known, or there are no benches.

    Examples
    --------
    >>> proved = prove(["exponential"], benches=1, ways=["finishlab"], jobs=1)
    >>> proved.rows[["scenario", "seed", "trials"]].values.tolist()
    [['exponential', 1, 24]]

    >>> prove(["marble"], benches=1)
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: 'marble' is not a scenario. Known are exponential, power law, ...
    """
    import joblib
    import pandas as pd

    names = list(SCENARIOS) if scenarios is None else list(scenarios)
    _check(names, designs, ways, benches)
    tasks = [
        Task(name, seed, design, assurance)
        for design in designs
        for assurance in assurances
        for seed in range(first_seed, first_seed + benches)
        for name in names
    ]
    found = _done(rows)
    keys = {key for part in found for key in _keys(part)}
    todo = [task for task in tasks if task.key not in keys]
    parallel = joblib.Parallel(n_jobs=jobs, return_as="generator_unordered")
    if todo:
        asked_for = {task.key: (DESIGNS[task.design].planned, task.seed % _PLANS) for task in todo}
        plans = _plans(sorted(set(asked_for.values())), jobs)
        worked = parallel(
            joblib.delayed(work_bench)(task, plans[asked_for[task.key]], tuple(ways)) for task in todo
        )
        found += [_kept(part, rows) for part in _shown(worked, len(todo))]
    every = pd.concat(found, ignore_index=True)
    asked = {task.key for task in tasks}
    mine = np.array([key in asked for key in _keys(every)], bool)
    every = every[mine & every["way"].isin(ways)]
    place = {name: i for i, name in enumerate(names)}
    order = every.assign(_at=every["scenario"].map(place), _way=every["way"].map(list(ways).index))
    order = order.sort_values(["design", "assurance", "_way", "_at", "seed"], kind="stable")
    return Proving(order.drop(columns=["_at", "_way"]).reset_index(drop=True))


def _check(names: Sequence[str], designs: Sequence[str], ways: Sequence[str], benches: int) -> None:
    mistakes = []
    for what, asked, known in (
        ("a scenario", names, SCENARIOS),
        ("a design", designs, DESIGNS),
        ("a way", ways, WAYS),
    ):
        mistakes += [f"{a!r} is not {what}. Known are {', '.join(known)}." for a in asked if a not in known]
    if benches < 1:
        mistakes.append(f"benches is {benches}; work one of each scenario at least.")
    if mistakes:
        raise PlanError(mistakes)


def _done(rows: Path | None) -> list[pd.DataFrame]:
    """Return what a file of rows holds already: one table, or none."""
    import pandas as pd

    if rows is None or not rows.exists() or not rows.stat().st_size:
        return []
    return [
        pd.read_csv(
            rows,
            dtype={"design": str, "error": str},
            keep_default_na=False,
            na_values={"true": [""], "ratio": [""]},
        )
    ]


def _keys(rows: pd.DataFrame) -> list[tuple[str, int, str, float]]:
    return list(zip(rows["scenario"], rows["seed"], rows["design"], rows["assurance"], strict=True))


def _plans(wanted: Sequence[tuple[int, int]], jobs: int) -> dict[tuple[int, int], pd.DataFrame]:
    """Return the plans by their number of trials and their own number."""
    import joblib

    plans = joblib.Parallel(n_jobs=jobs)(joblib.delayed(plan)(*key) for key in wanted)
    return dict(zip(wanted, plans, strict=True))


def _shown(parts: Iterator[pd.DataFrame], count: int) -> Iterator[pd.DataFrame]:
    from rich.console import Console
    from rich.progress import track

    console = Console(stderr=True)
    return iter(
        track(
            parts,
            total=count,
            description="working benches",
            console=console,
            disable=not console.is_terminal,
        )
    )


def _kept(part: pd.DataFrame, rows: Path | None) -> pd.DataFrame:
    """Add the rows of one bench to the file at once, so that an interrupted run loses none."""
    if rows is not None:
        part.to_csv(rows, mode="a", header=not rows.exists(), index=False)
    return part


@contextmanager
def on_cluster(address: str) -> Iterator[None]:
    """
    Let `prove` work its benches on a Dask cluster: the way past one machine.

    Parameters
    ----------
    address : str
        Of the cluster's scheduler, as ``tcp://10.0.0.5:8786``. Its workers need finishlab.

    Raises
    ------
    PlanError
        Dask is not installed, or no scheduler answers there.

    Examples
    --------
    >>> with on_cluster("nowhere"):
    ...     prove(benches=1000, rows=Path("rows.csv"))
    Traceback (most recent call last):
        ...
    finishlab.errors.PlanError: No cluster answers at nowhere. ...
    """
    import joblib

    try:
        from distributed import Client
    except ImportError as problem:
        raise PlanError(
            'A cluster needs Dask, which is not installed here: pip install "finishlab[cluster]".'
        ) from problem
    try:
        client = Client(address, timeout="10s")
    except (OSError, ValueError) as problem:
        raise PlanError(
            f"No cluster answers at {address}. Start its scheduler and workers, or leave --cluster out to work here."
        ) from problem
    with client, joblib.parallel_config(backend="dask"):
        yield


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the proving ground from the command line and print its table."""
    parser = argparse.ArgumentParser(
        prog="python -m finishlab.proving",
        description="Work practice benches of every kind through the whole path and print how the promise was kept.",
    )
    parser.add_argument("--benches", type=int, default=100, help="benches of each scenario")
    parser.add_argument("--first-seed", type=int, default=1, help="seed of the first bench")
    parser.add_argument("--scenarios", help=f"separated by commas: {', '.join(SCENARIOS)}")
    parser.add_argument("--designs", default="24", help=f"separated by commas: {', '.join(DESIGNS)}")
    parser.add_argument("--assurances", default="0.9", help="as 0.8,0.95")
    parser.add_argument("--ours-only", action="store_true", help="leave out the textbook's ways")
    parser.add_argument("--jobs", type=int, default=-1, help="processes at once; -1 is one a core")
    parser.add_argument("--rows", type=Path, help="CSV file to add each bench to; a run that stopped goes on")
    parser.add_argument("--cluster", help="address of a Dask scheduler to work on instead of this machine")
    asked = parser.parse_args(arguments)
    try:
        with on_cluster(asked.cluster) if asked.cluster else nullcontext():
            proved = prove(
                [s.strip() for s in asked.scenarios.split(",")] if asked.scenarios else None,
                benches=asked.benches,
                first_seed=asked.first_seed,
                designs=[d.strip() for d in asked.designs.split(",")],
                assurances=[float(a) for a in asked.assurances.split(",")],
                ways=(OURS,) if asked.ours_only else WAYS,
                jobs=asked.jobs,
                rows=asked.rows,
            )
    except FinishlabError as problem:
        print(problem, file=sys.stderr)
        return 2
    print(proved.text())
    for (design, assurance), some in proved.table().groupby(["design", "assurance"], sort=False):
        print(f"\n{DESIGNS[str(design)].words}; assurance {assurance}")
        print(some.drop(columns=["design", "assurance"]).round(3).to_string(index=False))
    return 0

"""Choosing: the shortest process that keeps its promise, and what to try next.

Here a fitted model is searched and what it foretold is held against later trials; nothing is
fitted, read or written.

`search` walks the processes; `choice` finds the shortest and makes the `recipe` with its `forecast`, or
`verdict` says why there is none. On the same walk: `targets` (minutes against the target), `chains` (chains of
steps, each at its best), `what_if_page` (the page's slider), `job_minutes` (a whole job). Before more trials:
`outlook` -> `follow_up_rounds`. After them: `forecast_test`, `confirmation` -> `confirmation`. In the middle of a job:
`mid_job_given`, `mid_job_ways` -> `mid_job_answer` by `mid_job`, and the same as a table in `bench_card`.
"""

from finishlab.solve.bench_card import Checkpoints, checkpoints
from finishlab.solve.chains import Chains, compare_chains
from finishlab.solve.choice import shortest
from finishlab.solve.confirmation import Confirmation, confirm
from finishlab.solve.follow_up_rounds import follow_up
from finishlab.solve.job_minutes import JobTime, job_time
from finishlab.solve.mid_job import next_passes
from finishlab.solve.mid_job_question import NextPasses
from finishlab.solve.recipe import Recipe
from finishlab.solve.targets import Frontier, frontier

__all__ = [
    "Chains",
    "Checkpoints",
    "Confirmation",
    "Frontier",
    "JobTime",
    "NextPasses",
    "Recipe",
    "checkpoints",
    "compare_chains",
    "confirm",
    "follow_up",
    "frontier",
    "job_time",
    "next_passes",
    "shortest",
]

"""How long a procedure's documents take, the first time and again: `python tests/benchmarks/documents.py`.

The demo study's recipe, its page, PDF, bench card and register; wanted: under 2 seconds each.
"""

import os

for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

import tempfile
import time
from pathlib import Path

import finishlab as fl

DEMO = Path(__file__).parents[2] / "datasets" / "van_panels"


def main() -> None:
    study = fl.Study.read(DEMO / "study.toml")
    model = fl.fit(study, fl.read_trials(DEMO / "trials.csv", study))
    recipe = fl.shortest(model)
    card = fl.checkpoints(model, recipe)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        how = {"number": "SP-1", "folder": folder, "checkpoints": card}
        work = {
            "draft": lambda: fl.write_procedure(recipe, **how),
            "issue": lambda: fl.issue_procedure(folder, "SP-1", by="owner"),
            "PDF, A4": lambda: fl.print_procedure(folder, "SP-1", path=folder / "p.pdf"),
            "PDF, Letter": lambda: fl.print_procedure(folder, "SP-1", path=folder / "l.pdf", paper="letter"),
            "bench card": lambda: fl.print_procedure(
                folder, "SP-1", path=folder / "c.pdf", document="bench card"
            ),
            "revision": lambda: fl.revise_procedure(
                recipe, revises=1, reason="timed", approved_by="owner", **how
            ),
            "register": lambda: fl.procedure_register(folder),
        }
        for what, make in work.items():
            begun = time.perf_counter()
            make()
            print(f"{what:12} {time.perf_counter() - begun:6.2f} s")


if __name__ == "__main__":
    main()

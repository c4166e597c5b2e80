"""Makes the trial sheet of the demo study again, byte for byte.

    python datasets/van_panels/make.py

The run sheet beside it was planned once with ``plan_trials(study, trials=41, panels=6,
seed=3)`` and is kept, so that better plans do not change old trials. A practice bench
works it: an invented shop, so nothing here was measured on real paint. `round_2.csv`, a round
that nobody has worked yet, was planned once after these trials and is kept for the same reason.
"""

from pathlib import Path

import pandas as pd

import finishlab as fl

HERE = Path(__file__).parent
BENCH = {"kind": 7, "seed": 8}
SEED = 1
SPOILED = 23
REASON = "compound dried on the patch after the third pass; worked no further"


def trials() -> pd.DataFrame:
    """Return the trials as the invented bench logs them, one spoiled by hand."""
    sheet = pd.read_csv(
        HERE / "run_sheets" / "round_1.csv", dtype={"panel": str}, keep_default_na=False, na_values=[""]
    )
    table = fl.PracticeBench(**BENCH).work(sheet, seed=SEED)
    spoiled = table["trial"] == SPOILED
    table["status"] = table["status"].mask(spoiled, "spoiled")
    table["reason"] = table["reason"].mask(spoiled, REASON)
    # Nothing was read on it once it was given up.
    after_sanding = [
        c
        for c in table.columns
        if c.startswith(
            (
                "cut_gloss",
                "gloss",
                "haze",
                "faults",
                "film_after",
                "removed",
                "cut_minutes",
                "polish_minutes",
                "minutes",
            )
        )
    ]
    table[after_sanding] = table[after_sanding].mask(spoiled)
    # A bench logs the readings; their means are for the computer to find.
    means = {c.removesuffix("_1") for c in table.columns if c.endswith("_1")}
    return table.drop(columns=list(means))


if __name__ == "__main__":
    fl.write_trials(trials(), HERE / "trials.csv")

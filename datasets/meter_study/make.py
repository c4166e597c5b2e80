"""Makes the readings of the demo meter study again, byte for byte.

    python datasets/meter_study/make.py

Three technicians and a few meters that do not exist read ten patches that do not exist; the truth
behind every reading is in `TRUTH`, so that an answer can be held against it.
"""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd

HERE = Path(__file__).parent
SEED = 11
DAY = dt.datetime(2026, 3, 2, 8, 0)
PATCHES, TECHNICIANS, SPOTS = range(1, 11), ("A", "B", "C"), (1, 2, 3)

#: Spreads (SD) of 20-degree gloss in GU, and what is wrong on purpose.
TRUTH = {
    "repeatability": 0.35,
    "technicians": {"A": 0.0, "B": 0.35, "C": -0.3},
    "technician_by_patch": 0.12,
    "spot": 0.25,
    "scratched": {4: 1.8, 7: 1.2},  # patches that read so much higher along than across, GU
    "second_meter": 0.7,  # M2 reads so much higher than M1, GU
    "tilted": (6, "B", 2, "across", -3.2),  # patch, technician, spot, direction: the meter was held askew
    "trend": 0.012,  # M1 on its tile, GU a day
    "knock": (45, -0.9),  # M2 on its tile: day and size of a jump, GU
}


def readings() -> pd.DataFrame:
    """Return one row a reading: gloss along and across by meter M1, by M2 once, haze and film."""
    rng = np.random.default_rng(SEED)
    gloss = dict(zip(PATCHES, rng.uniform(77, 89, len(PATCHES)), strict=True))
    spot = {(p, s): rng.normal(0, TRUTH["spot"]) for p in PATCHES for s in SPOTS}
    unlike = {(p, t): rng.normal(0, TRUTH["technician_by_patch"]) for p in PATCHES for t in TECHNICIANS}
    rows: list[dict[str, object]] = []

    def put(patch: int, who: str, quantity: str, value: float, at: int, way: str | None, meter: str) -> None:
        when = DAY + dt.timedelta(seconds=40 * len(rows))
        rows.append(
            {
                "patch": patch, "technician": who, "quantity": quantity, "value": value, "spot": at, "direction": way,
                "instrument": meter, "when": when.isoformat(" ", "minutes"),
            }
        )  # fmt: skip

    def read_gloss(patch: int, who: str, at: int, way: str, meter: str) -> float:
        value = gloss[patch] + spot[patch, at] + TRUTH["technicians"][who] + unlike[patch, who]
        value += TRUTH["scratched"].get(patch, 0.0) / 2 * (1 if way == "along" else -1)
        value += TRUTH["second_meter"] * (meter == "M2") + rng.normal(0, TRUTH["repeatability"])
        if (patch, who, at, way) == TRUTH["tilted"][:4] and meter == "M1":
            value += TRUTH["tilted"][4]
        return round(value, 1)

    for who in TECHNICIANS:
        for patch in rng.permutation(PATCHES).tolist():  # a new order for each, who sees nobody's readings
            for at in SPOTS:
                for way in ("along", "across"):
                    put(patch, who, "gloss_20", read_gloss(patch, who, at, way, "M1"), at, way, "M1")
                haze = 4 * (94 - gloss[patch]) ** 0.5 + rng.normal(0, 0.6) + 2 * TRUTH["technicians"][who]
                put(patch, who, "haze", round(haze, 1), at, None, "M1")
    for patch in PATCHES:
        for at in SPOTS:
            put(patch, "A", "gloss_20", read_gloss(patch, "A", at, "along", "M2"), at, "along", "M2")
    film = dict(zip(PATCHES, rng.normal(118, 7, len(PATCHES)), strict=True))
    for who in TECHNICIANS:
        for patch in PATCHES:
            for at in SPOTS:
                put(patch, who, "film_before_um", round(film[patch] + rng.normal(0, 1.1), 1), at, None, "F1")
    return pd.DataFrame(rows)


def tiles() -> pd.DataFrame:
    """Return readings of the meters' own tiles, twice every fourth day over twelve weeks."""
    rng = np.random.default_rng(SEED + 1)
    rows = []
    for meter, tile, true in (("M1", "T1", 92.4), ("M2", "T2", 91.8)):
        for day in range(0, 84, 4):
            moved = TRUTH["trend"] * day if meter == "M1" else TRUTH["knock"][1] * (day > TRUTH["knock"][0])
            today = rng.normal(0, 0.12)
            rows += [
                {
                    "when": (DAY + dt.timedelta(days=day)).date().isoformat(), "instrument": meter, "tile": tile,
                    "expected": true, "value": round(true + moved + today + rng.normal(0, 0.08), 1),
                }
                for _ in range(2)
            ]  # fmt: skip
    return pd.DataFrame(rows)


if __name__ == "__main__":
    readings().to_csv(HERE / "readings.csv", index=False, lineterminator="\n")
    tiles().to_csv(HERE / "tiles.csv", index=False, lineterminator="\n")

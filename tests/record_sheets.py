"""A study and a small sheet without mistakes, invented, for the tests of `finishlab.records`."""

from finishlab.study import Study

STUDY_TEXT = """
title = "Van sides"
pass_means = "one direction, 50 % overlap"
[[step]]
name = "sand"
grit = ["P1500", "P2000", "P3000"]
passes = 4
[[step]]
name = "cut"
pad = ["wool", "microfibre", "foam"]
passes = { lowest = 1, highest = 8 }
[[step]]
name = "polish"
pad = "soft foam"
speed = { lowest = 900, highest = 1800, by = 300 }
passes = { lowest = 0, highest = 4 }
[goal]
gloss_20 = { at_least = 84 }
faults = { at_most = 0 }
assurance = 0.9
[[avoid]]
sand_grit = "P1500"
cut_passes = { at_most = 1 }
[reading]
spots = 2
haze_method = "HAZE"
"""

STUDY = Study.from_toml(STUDY_TEXT.replace("HAZE", "ISO 13803"))
#: The same study with haze as the difference of two gloss readings, and in the goal.
D4039 = Study.from_toml(
    STUDY_TEXT.replace("HAZE", "ASTM D4039").replace("assurance", "haze = { at_most = 18 }\nassurance")
)


def good(**columns):
    """Return six trials on two panels as a technician would type them; `columns` replace or add some."""
    sheet = {
        "trial": [1, 2, 3, 4, 5, 6],
        "panel": ["A", "A", "A", "B", "B", "B"],
        "patch": [1, 2, 3, 1, 2, 3],
        "run_order": [1, 2, 3, 1, 2, 3],
        "sand_grit": ["P1500", "P2000", "P3000", "P1500", "P2000", "P3000"],
        "cut_pad": ["wool", "foam", "microfibre", "foam", "wool", "wool"],
        "cut_passes": [4, 6, 2, 8, 3, 5],
        "polish_speed": [900, 1200, 1500, None, 1800, 900],
        "polish_passes": [2, 4, 1, 0, 3, 2],
        "sand_gloss_60": [20.1, 31.0, 55.5, 21.3, 30.2, 54.8],
        "gloss_20_1": [84.1, 85.0, 86.2, 78.5, 84.9, 85.5],
        "gloss_20_2": [84.3, 85.4, 86.0, 78.9, 85.1, 85.3],
        "gloss_60": [92.0, 92.5, 93.1, 89.9, 92.4, 92.8],
        "faults": [1, 0, 0, 2, 0, 0],
        "film_before_um": [107.0, 108.5, 106.2, 110.0, 109.1, 107.7],
        "film_after_um": [101.2, 104.0, 103.1, 104.9, 105.0, 103.8],
        "minutes": [6.5, 8.0, 5.5, 7.0, 7.5, 6.0],
        "pad_lot": ["L7", "L7", "L8", "L8", "L9", "L9"],
    }
    return {**sheet, **columns}


def but(column, row, value):
    """Return a column of the good sheet with one cell changed; `row` as a sheet counts, from 2."""
    cells = list(good()[column])
    cells[row - 2] = value
    return {column: cells}


def csv_text(sheet, separator=","):
    """Return a sheet as a person's CSV, empty cells for None."""

    def cell(value):
        text = "" if value is None else str(value)
        return f'"{text}"' if separator in text else text

    lines = [
        separator.join(sheet),
        *(separator.join(map(cell, row)) for row in zip(*sheet.values(), strict=True)),
    ]
    return "\n".join(lines) + "\n"

"""What working a plan takes: discs, product and pay-back counted by hand."""

import pandas as pd
import pytest

from finishlab.plan.foresight import foresee
from finishlab.study import Study

COSTS = """\
title = "Invented"
pass_means = "one direction"
[[step]]
name = "sand"
grit = ["P1500", "P2000"]
[[step]]
name = "cut"
product = ["compound A", "compound B"]
passes = { lowest = 1, highest = 4 }
[goal]
gloss_20 = { at_least = 80 }
faults = { at_most = 0 }
assurance = 0.9
[job]
sections = 2
"""


def test_discs_product_and_payback_are_counted():
    study = Study.from_toml(COSTS)
    sheet = pd.DataFrame(
        {
            "sand_grit": ["P1500"] * 5 + ["P2000"],
            "cut_product": ["compound A", "compound B"] * 3,
            "cut_passes": [1, 2, 3, 4, 1, 2],
            "panel": ["1"] * 3 + ["2"] * 3,
        }
    )
    found = foresee(sheet, study, patches_a_disc=4, product_ml_a_pass=2.5, saving_minutes=3)
    assert "It takes 2 panels, 3 discs, 32.5 ml of product and " in found.text()
    plain = foresee(sheet, study)
    assert "It takes 2 panels, discs for 6 patches, product for 13 passes and " in plain.text()
    assert found.costs["discs"] == 3  # five of P1500 are two discs, one of P2000 is one
    assert found.costs["product_ml"] == 13 * 2.5
    assert found.costs["payback_jobs"] == pytest.approx(found.day.minutes / (3 * 2))
    assert "pays that back after" in found.text()
    assert any(
        c.startswith("Faults are counted: even none in 6 patches would allow up to 40 %")
        for c in found.cautions
    )
    assert any(c.startswith("1 degree of freedom between panels, fewer than three") for c in found.cautions)

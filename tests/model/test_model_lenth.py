"""Lenth's method: published margins and quantiles, and what a two-level plan must be."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from published import figures, printed, table

import finishlab as fl
from finishlab.errors import ModelError, RecordsError
from finishlab.model.lenth import lenth

STUDY = """
title = "Two-level plan"
pass_means = "one direction"
[[step]]
name = "cut"
{factors}
[goal]
haze = {{ at_most = 60 }}
assurance = 0.9
[reading]
haze_method = "ISO 13803"
"""


def plan(name, factors, response):
    """A published two-level plan as a study and trials; its response stands in for haze."""
    study = fl.Study.from_toml(
        STUDY.format(factors="\n".join(f'{f.lower()}_set = ["low", "high"]' for f in factors))
    )
    data = table(name)
    trials = pd.DataFrame({f"cut_{f.lower()}_set": data[f].map({-1: "low", 1: "high"}) for f in factors})
    return study, trials.assign(haze=data[response], panel="1", patch=range(1, len(data) + 1), minutes=5.0)


@pytest.fixture(scope="module")
def filtration():
    """Montgomery, Design and Analysis of Experiments, ch. 6: filtration rate, unreplicated 2^4."""
    return plan("doe_filtration_2p4", "ABCD", "rate")


def named(effect):
    """Return an effect's name as the reference file has it: cut a set (low to high) -> A."""
    letters = [part.split("cut ")[1][0].upper() for part in effect.split(" with ")]
    return f"effect[{':'.join(letters)}]"


def test_the_filtration_plan_has_the_published_effects(filtration):
    found = fl.screen_effects(*filtration).table()
    known = printed("doe_filtration_2p4_expected")
    assert len(found) == 15
    for row in found.to_dict("records"):
        figure, half = known[named(row["effect"])]
        assert row["difference"] == pytest.approx(figure, abs=half)


def test_the_filtration_plan_has_the_published_margins(filtration):
    margins = fl.screen_effects(*filtration).margins
    known = printed("doe_filtration_2p4_expected")
    got = {"PSE": margins.pse, "df": margins.df, "ME": margins.margin, "SME": margins.joint_margin}
    for name, value in got.items():
        figure, half = known[f"Lenth: {name}"]
        assert value == pytest.approx(figure, abs=max(half, 1e-9))


def test_five_effects_of_the_filtration_plan_stand_out_at_the_single_margin(filtration):
    # Montgomery: A, C, D, AC and AD are the active ones; C lies between the two margins.
    found = fl.screen_effects(*filtration)
    t = found.table()
    single = {named(e) for e in t.loc[t["difference"].abs() > found.margins.margin, "effect"]}
    assert single == {f"effect[{n}]" for n in ("A", "C", "D", "A:C", "A:D")}
    joint = {named(e) for e in t.loc[t["stands_out"], "effect"]}
    assert joint == {f"effect[{n}]" for n in ("A", "D", "A:C", "A:D")}
    assert "stand out; luck alone keeps all effects within 13.7 of nothing" in found.text()


@pytest.mark.parametrize(
    "row", table("lenth_quantiles").to_dict("records"), ids=lambda r: str(r["contrasts_m"])
)
def test_margins_are_the_tabled_quantiles_of_the_pseudo_standard_error(row):
    # Lenth (1989), Technometrics 31, 469: factors for 7, 15 and 31 effects.
    m = int(row["contrasts_m"])
    found = lenth(np.linspace(1, 2, m))
    assert found.df == pytest.approx(row["df_d"], abs=1e-9)
    # Tabled to three decimals.
    assert found.margin / found.pse == pytest.approx(row["t975_tabled"], abs=5.1e-4)
    assert found.joint_margin / found.pse == pytest.approx(row["t_gamma_tabled"], abs=5.1e-4)


def test_the_pseudo_standard_error_of_five_effects_is_as_worked_by_hand():
    # Median of 1 2 3 4 100 is 3, so s0 = 4.5; below 2.5 x 4.5 lie 1 2 3 4, median 2.5; PSE = 3.75.
    assert lenth(np.array([1.0, -2.0, 3.0, -4.0, 100.0])).pse == pytest.approx(3.75)


def test_effects_that_are_only_luck_seldom_stand_out_and_a_plain_margin_does_often():
    rng = np.random.default_rng(3)
    luck = rng.standard_normal((2000, 15))
    joint = single = 0
    for effects in luck:
        found = lenth(effects)
        joint += bool((np.abs(effects) > found.joint_margin).any())
        single += bool((np.abs(effects) > found.margin).any())
    # Asked for is 0.05; his quantiles are guarded for 15 effects (0.023 in 5,000 draws).
    assert joint / 2000 < 0.06
    # The wrong reading: one effect's margin held against the largest of fifteen.
    assert single / 2000 > 0.15


def test_the_order_of_trials_and_the_name_of_the_panel_do_not_matter(filtration):
    study, trials = filtration
    one = fl.screen_effects(study, trials)
    mixed = trials.sample(frac=1, random_state=1).assign(panel="door")
    other = fl.screen_effects(study, mixed)
    assert one.table()["difference"].tolist() == pytest.approx(other.table()["difference"].tolist())


def test_a_half_plan_names_what_each_effect_stands_for(filtration):
    study, trials = filtration
    signs = [trials[c].map({"low": -1, "high": 1}) for c in trials.columns[:4]]
    half = trials[np.prod(signs, axis=0) == 1].assign(patch=range(1, 9))
    found = fl.screen_effects(study, half)
    assert len(found.table()) == 7
    # ABCD = 1 in every trial, so A cannot be told from BCD nor AB from CD.
    also = dict(zip(map(named, found.table()["effect"]), found.table()["also"], strict=True))
    assert named(also["effect[A]"]) == "effect[B:C:D]"
    assert named(also["effect[A:B]"]) == "effect[C:D]"
    assert (
        found.cautions[-1]
        == "Each effect stands for others as well (column also): the plan cannot tell them apart."
    )


def test_one_panel_is_enough_and_said(filtration):
    assert fl.screen_effects(*filtration).cautions == (
        "All trials are on one panel: these are differences on it, and nothing says how the next panel reads.",
    )


def test_a_repeated_plan_is_refused_with_where_to_go():
    study, trials = plan("doe_pilot_plant_2p3", "TCK", "yield")
    with pytest.raises(
        ModelError,
        match=r"^16 trials of 3 factors at two settings: screening needs every combination, or a regular fraction of them, "
        r"worked once; some combinations were worked more than once\. Use fit and what_matters\.$",
    ):
        fl.screen_effects(study, trials)


def test_four_combinations_are_too_few_to_say_what_luck_is(filtration):
    study, trials = filtration
    few = trials[(trials["cut_c_set"] == "low") & (trials["cut_d_set"] == "low")]
    with pytest.raises(
        ModelError, match=r"4 trials give 3 effects, too few to say how large luck is; 7 are needed"
    ):
        fl.screen_effects(study, few)


def test_three_settings_of_a_factor_are_refused_by_name(bench, trials):
    with pytest.raises(ModelError, match=r"cut_pad was worked at 3 settings\. Use fit and what_matters\."):
        fl.screen_effects(bench.study, trials)


def test_readings_that_are_all_equal_leave_nothing_that_stands_out(filtration):
    study, trials = filtration
    found = fl.screen_effects(study, trials.assign(haze=50.0))
    assert found.text().startswith(
        "haze: no effect stands out; luck alone keeps all effects within 0.0 of nothing"
    )


def test_a_table_that_is_not_right_is_refused(filtration):
    study, trials = filtration
    with pytest.raises(RecordsError):
        fl.screen_effects(study, trials.drop(columns="cut_a_set"))


def test_the_figure_has_a_dot_for_every_effect(filtration):
    from finishlab.figures.frame import blank

    found = fl.screen_effects(*filtration)
    ax = found.plot(ax=blank())
    assert len(ax.get_yticks()) == 15
    assert found.to_dict()["pse"] == pytest.approx(
        figures("doe_filtration_2p4_expected", value="recomputed")["Lenth: PSE"]
    )
    assert "<table" in found._repr_html_()

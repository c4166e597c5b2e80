"""What one response's fit takes in: angles, meter studies, the state before work."""

from types import SimpleNamespace

import numpy as np
import pytest
from test_model_readings import STUDY, trials

import finishlab as fl
from finishlab.errors import ModelError
from finishlab.model.observed import meters_by_response, observe


def seen(table, **how):
    return observe(table, STUDY, "gloss_20", every_step=True, **how)


def test_a_meter_study_is_added_to_the_repeats_of_the_trials():
    meter = SimpleNamespace(reading="gloss_20", meter_ss=4.8, meter_df=30.0)  # SD 0.4, as the trials'
    plain, both = seen(trials()).observed, seen(trials(), meter=meter).observed
    assert both.meter_ss == pytest.approx(plain.meter_ss + 4.8)
    assert both.meter_df == plain.meter_df + 30
    assert seen(trials(), meter=meter).cautions == ()


def test_repeats_that_scatter_more_than_the_meter_does_stand_alone_and_say_so():
    # Spots of a patch differ; a meter read on one spot does not know.
    meter = SimpleNamespace(reading="gloss_20", meter_ss=30 * 0.01, meter_df=30.0)
    plain, both = seen(trials()).observed, seen(trials(), meter=meter)
    assert (both.observed.meter_ss, both.observed.meter_df) == (plain.meter_ss, plain.meter_df)
    assert len(both.cautions) == 1
    assert both.cautions[0].endswith(
        "those of the meter study by 0.1: the spots of a patch differ by more than the meter does. The repeats of the trials were taken."
    )


def test_single_readings_take_the_meter_from_its_study(bench):
    table = bench.work(fl.plan_trials(bench.study, trials=16, panels=4, seed=3), seed=1)
    once = table[[c for c in table.columns if c[-2:] not in ("_1", "_2", "_3")]]
    meter = SimpleNamespace(reading="gloss_20", meter_ss=60 * 0.8**2, meter_df=60.0)
    without, with_it = (
        fl.fit(bench.study, once, meters=m).response("gloss_20").posterior.spread("meter")
        for m in (None, meter)
    )
    # 60 degrees of freedom fix it to a tenth; alone, single readings leave the general guess.
    assert np.median(with_it) == pytest.approx(0.8, rel=0.1)
    assert with_it.std() / with_it.mean() < 0.6 * without.std() / without.mean()
    several = fl.fit(bench.study, once, meters=[meter]).response("gloss_20").posterior.spread("meter")
    assert (several == with_it).all()


def test_the_real_meter_study_is_understood():
    assert {"reading", "meter_ss", "meter_df"} <= set(fl.MeterStudy.__dataclass_fields__)


def test_a_meter_study_of_nothing_a_goal_can_name_is_refused():
    with pytest.raises(
        ModelError, match=r"^a meter study is for 'film_before_um', which no goal can name\. Give meters as"
    ):
        meters_by_response(SimpleNamespace(reading="film_before_um", meter_ss=1.0, meter_df=3.0))
    with pytest.raises(ModelError, match=r"^a meter study is for '', which no goal can name\."):
        meters_by_response({"": SimpleNamespace(meter_ss=1.0, meter_df=3.0)})


def test_sixty_degrees_count_where_twenty_are_at_the_floor_or_missing():
    table = trials()
    for k in (1, 2, 3):
        table[f"sand_gloss_60_{k}"] = 30.0 + k
        table[f"gloss_60_{k}"] = 92.0
    table.loc["t2", [f"sand_gloss_20_{k}" for k in (1, 2, 3)]] = np.nan  # not read
    table.loc["t3", [f"sand_gloss_20_{k}" for k in (1, 2, 3)]] = 0.9  # near the floor of the meter
    table.loc["t4", [f"sand_gloss_20_{k}" for k in (1, 2, 3)]] = np.nan
    table.loc["t4", [f"sand_gloss_60_{k}" for k in (1, 2, 3)]] = 75.0  # above 70 GU, where 20 degrees are for
    table["sand_gloss_20"] = table[[f"sand_gloss_20_{k}" for k in (1, 2, 3)]].mean(axis=1)
    got = seen(table)
    assert got.row[got.observed.tied].tolist() == ["t2", "t3"]
    assert got.observed.rows.step[got.observed.tied].tolist() == [0, 0]
    assert got.observed.y[got.observed.tied].tolist() == [32.0, 32.0]
    # The same grit shares the slack of the tie; patches have some of their own.
    slack = got.observed.slack[np.ix_(got.observed.tied, got.observed.tied)]
    assert (np.diag(slack) > slack[0, 1]).all()
    assert slack[0, 1] > 0
    assert np.linalg.eigvalsh(slack).min() > 0
    # The finish is never read off the other angle, and the surface model looks at the finish alone.
    assert observe(table, STUDY, "gloss_20", every_step=False).observed.tied is None
    assert observe(table, STUDY, "gloss_60", every_step=True).observed.tied is None


def test_the_state_before_work_is_taken_where_it_was_read():
    table = trials()
    table["start_gloss_20"] = [84.0, np.nan, 70.0, 200.0] * 3
    start = seen(table).observed.rows.start
    by_trial = dict(zip(seen(table).row, start, strict=True))
    assert np.isnan(by_trial["t1"])
    # Above any ceiling of a clear a reading says only "smooth".
    assert by_trial["t3"] == by_trial["t7"] == pytest.approx(0.5 * np.log(-np.log(0.99)))
    assert by_trial["t2"] > by_trial["t0"] > by_trial["t3"]
    assert seen(table.drop(columns="start_gloss_20")).observed.rows.start is None

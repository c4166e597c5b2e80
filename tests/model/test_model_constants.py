"""The step model's constants in the trade's terms: passes that halve, and what pads level off at."""

import numpy as np
import pandas as pd
import pytest

import finishlab as fl
from finishlab.errors import ModelError
from finishlab.figures.frame import blank
from finishlab.model.steps import StepCurve
from finishlab.study import Study


@pytest.fixture(scope="module")
def found(model):
    return fl.step_constants(model)


def one_step(amount="passes = { lowest = 0, highest = 8 }"):
    return Study.from_toml(
        f'title = "Doors"\npass_means = "one direction"\n[[step]]\nname = "cut"\n{amount}\n'
        "[goal]\ngloss_20 = { at_least = 84 }\nassurance = 0.9\n"
    )


@pytest.mark.parametrize(("t", "m"), [(0.5, 1.0), (2.0, 1.3), (25.0, 0.8)])
def test_after_the_halving_passes_half_of_what_was_above_the_floor_is_left(t, m):
    # Worked from the curve itself on the scale r^c, c = 1.
    study = one_step()
    curve = StepCurve(study.basis)
    theta = curve.prior_mean.copy()
    for name, value in {"fresh": 0.3, "cut floor": -1.2, "cut rate": -0.4, "cut shape": np.log(t), "cut start": np.log(m)}.items():  # fmt: skip
        theta[curve.names.index(name)] = value
    floor, halving = curve.constants(theta[None, :], study.steps[0])
    from finishlab.model.latent import Rows

    z = curve.curve(theta, Rows(np.array([[halving[0, 0]]]), np.zeros(1, int)))[0]
    assert floor[0, 0] == pytest.approx(-1.2)
    assert np.exp(z[0]) == pytest.approx((np.exp(0.3) + np.exp(-1.2)) / 2, rel=1e-9)


def test_exponential_decay_halves_in_ln_2_over_the_rate():
    study = one_step("seconds = { lowest = 45, highest = 360, by = 45 }")
    curve = StepCurve(study.basis)
    theta = curve.prior_mean.copy()
    theta[curve.names.index("cut shape")] = 14  # a large shape is exponential decay
    theta[curve.names.index("cut rate")] = np.log(0.5)
    # 0.5 a pass, a pass of 45 seconds.
    assert curve.constants(theta[None, :], study.steps[0])[1][0, 0] == pytest.approx(
        45 * np.log(2) / 0.5, rel=1e-5
    )


def test_the_truth_of_the_bench_lies_inside_the_intervals(bench, found):
    # Kind 1 is exponential decay of roughness, so its floors and rates are the constants.
    shop = bench._shop
    table = found.constants.set_index(["step", "with"])
    inside, ratio = [], []
    for i, pad in enumerate(("wool", "microfibre", "foam")):
        for j, product in enumerate(("compound A", "compound B")):
            row = table.loc[("cut", f"{pad}, {product}")]
            level = shop.ceiling_20 * np.exp(-(np.asarray(shop.cut.floor)[i, j] ** 2))
            halving = np.log(2) * np.asarray(shop.cut.tau)[i, j]
            inside += [row["level_low"] <= level <= row["level_high"], row["halving_low"] <= halving <= row["halving_high"]]  # fmt: skip
            ratio.append(row["halving"] / halving)
    # 12 intervals that hold 90 % each: 9 or more in 97 of 100 (binomial).
    assert sum(inside) >= 9
    assert 0.6 < np.median(ratio) < 1.6


def test_every_combination_has_a_row_and_counts_its_trials(found, trials):
    counts = found.constants.set_index(["step", "with"])["trials"]
    assert len(counts) == 3 + 6 + 1
    assert counts[("sand", "P1500")] == (trials["sand_grit"] == "P1500").sum()
    pair = (trials["cut_pad"] == "wool") & (trials["cut_product"] == "compound B")
    assert counts[("cut", "wool, compound B")] == pair.sum()
    assert counts[("polish", "soft foam, polish A")] == (trials["polish_passes"] > 0).sum()
    for name in ("halving", "level", "roughness_um"):
        part = found.constants
        assert ((part[f"{name}_low"] < part[name]) & (part[name] < part[f"{name}_high"])).all()


def test_gloss_and_roughness_of_a_level_are_the_same_thing(found):
    from finishlab.trade.optics import gloss_from_roughness

    best = found.constants.sort_values("level").iloc[-1]
    # Both are medians over draws whose ceiling differs by some 0.3 GU.
    assert float(gloss_from_roughness(best["roughness_um"], ceiling=81.7)) == pytest.approx(
        best["level"], abs=1.5
    )


def test_a_combination_without_a_trial_is_counted_and_cautioned(bench, trials):
    some = trials[~((trials["cut_pad"] == "foam") & (trials["cut_product"] == "compound B"))]
    found = fl.step_constants(fl.fit(bench.study, some))
    row = found.constants[found.constants["with"] == "foam, compound B"].iloc[0]
    assert (row["trials"], row["highest"]) == (0, 0)
    assert found.cautions == (
        "1 combination of 10 had no trial; what is said of it rests on the others and on a general guess.",
    )
    assert "foam, compound B" not in found.text()


def test_what_leads_is_said_only_where_the_trials_can_tell(found):
    text = found.text()
    assert text.startswith("Sand: ")
    assert "Cut: " in text
    assert text.endswith("Intervals hold 90 %.")
    assert "which is the quickest cannot be told yet" in text  # sanding passes are held
    odds = found.constants.groupby("step", sort=False)[["quickest", "highest"]].sum()
    np.testing.assert_allclose(odds, 1.0, atol=1e-9)


def test_the_result_is_a_table_plain_python_and_a_page(found):
    table = found.table()
    table["level"] = 0.0
    assert (found.constants["level"] > 0).all()  # a copy
    plain = found.to_dict()
    assert plain["response"] == "gloss_20"
    assert len(plain["constants"]) == len(table)
    assert isinstance(plain["constants"][0]["level"], float)
    assert "wool, compound A" in found._repr_html_()


def test_the_figure_shows_one_step_with_its_intervals(found):
    ax = found.plot(blank())
    assert [t.get_text() for t in ax.get_yticklabels()][-1] in set(found.constants["with"])
    assert len(ax.get_yticklabels()) == 6
    assert ax.get_title(loc="left").startswith("Cut: ")
    assert (
        found.plot(blank(), step="polish")
        .get_title(loc="left")
        .startswith("Polish: soft foam, polish A levels off at")
    )
    with pytest.raises(ModelError, match=r"^there is no step 'jewel'\. The steps are sand, cut, polish\."):
        found.plot(blank(), step="jewel")


def test_a_step_without_an_amount_has_a_level_and_no_halving():
    rng = np.random.default_rng(1)
    study = Study.from_toml(
        'title = "Doors"\npass_means = "one direction"\n[[step]]\nname = "sand"\ngrit = ["P1500", "P3000"]\n'
        '[[step]]\nname = "cut"\npad = ["wool", "foam"]\npasses = { lowest = 1, highest = 6 }\n'
        "[goal]\ngloss_20 = { at_least = 80 }\nassurance = 0.9\n"
    )
    n = 16
    table = pd.DataFrame(
        {
            "sand_grit": rng.choice(["P1500", "P3000"], n),
            "cut_pad": rng.choice(["wool", "foam"], n),
            "cut_passes": rng.integers(1, 7, n),
            "panel": np.arange(n) % 4,
            "minutes": rng.normal(5, 0.3, n),
        }
    )
    table["gloss_20"] = 80 + 0.8 * table["cut_passes"] + rng.normal(0, 0.4, n)
    found = fl.step_constants(fl.fit(study, table))
    sand = found.constants[found.constants["step"] == "sand"]
    assert sand[["halving", "halving_low", "halving_high"]].isna().all(axis=None)
    assert (sand["amount"] == "").all()
    assert "nan" not in found.text()
    assert found.to_dict()["constants"][0]["halving"] is None
    assert found.plot(blank(), step="sand").get_xlabel() == "20° gloss it levels off at, GU"


def test_a_model_that_follows_no_gloss_is_refused(bench, trials):
    for model in (
        fl.fit(bench.study, trials, kind="surface"),
        fl.fit(Study.from_toml(bench.study.source.replace("gloss_20 = ", "haze = ").replace("at_least", "at_most")), trials),
    ):  # fmt: skip
        with pytest.raises(
            ModelError, match=r"^this model does not follow gloss from step to step\. Fit with kind="
        ):
            fl.step_constants(model)

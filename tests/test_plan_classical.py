"""Textbook plans against the textbooks' own tables, and how they are put on panels."""

import itertools

import numpy as np
import pandas as pd
import published
import pytest

from finishlab.errors import PlanError
from finishlab.plan import plan_trials
from finishlab.plan.classical import GENERATORS, LETTERS, box_behnken, relations
from finishlab.plan.trials import CONTROL
from finishlab.study import Study

HEAD = 'title = "Invented"\npass_means = "one direction"\n[[step]]\nname = "cut"\n'
GOAL = "[goal]\nfaults = { at_most = 0 }\nassurance = 0.9\n[panel]\npatches = 40\n"


def numbers(k, lowest=0, highest=100, by=1):
    """A study of k numbers."""
    lines = [
        f"{LETTERS[j].lower()} = {{ lowest = {lowest}, highest = {highest}, by = {by} }}\n" for j in range(k)
    ]
    return Study.from_toml(HEAD + "".join(lines) + GOAL)


def pairs(k, more=""):
    """A study of k settings with two words each."""
    lines = [f'{LETTERS[j].lower()} = ["low", "high"]\n' for j in range(k)]
    return Study.from_toml(HEAD + "".join(lines) + GOAL + more)


def signs_of(text, runs):
    """Points of a fraction by its generators, as 'D=ABC E=AB', built from the products alone."""
    basic = int(np.log2(runs))
    columns = {
        LETTERS[j]: c for j, c in enumerate(np.array(list(itertools.product((-1, 1), repeat=basic))).T)
    }
    for generator in text.split():
        name, word = generator.split("=")
        columns[name] = np.prod([columns[letter] for letter in word], axis=0)
    return np.column_stack(list(columns.values()))


# --- published tables -------------------------------------------------------------------------


@pytest.mark.parametrize(
    "row", published.table("fractional_factorials").to_dict("records"), ids=lambda r: r["design"]
)
def test_resolution_and_defining_relation_are_those_of_the_table(row):
    # Box, Hunter & Hunter; NIST/SEMATECH e-Handbook 5.3.3.4.7 (in the file).
    signs = signs_of(row["generators"], int(row["runs"]))
    facts = relations(signs, [f"setting {j}" for j in range(signs.shape[1])])
    assert facts["resolution"] == row["resolution"]
    if row["defining_words"] != "(too long)":
        assert set(facts["defining_relation"].split(" = ")) == {"I", *row["defining_words"].split()}


@pytest.mark.parametrize(
    "row", published.table("fractional_factorials").to_dict("records"), ids=lambda r: r["design"]
)
def test_our_own_fractions_have_the_tabled_resolution(row):
    k = int(row["design"].split("(")[1].split("-")[0])
    runs = int(row["runs"])
    if (k, runs) not in GENERATORS:
        pytest.skip("a size that our table leaves out")
    patches = -(-runs // 4)
    study = Study.from_toml(pairs(k).source.replace("patches = 40", f"patches = {patches}"))
    facts = (
        plan_trials(study, trials=runs, panels=4, seed=1, kind="fraction").attrs["design"]
        if runs <= 32
        else None
    )
    if facts is None:
        from finishlab.plan.classical import design_of

        facts = design_of(study, "fraction", runs).facts
    assert facts["runs"] == runs
    assert facts["resolution"] == row["resolution"]


@pytest.mark.parametrize("name", ["2^(4-1)", "2^(6-2)", "2^(7-4)"])
def test_alias_sets_are_the_published_ones(name):
    rows = published.table("alias_sets")
    rows = rows[rows["design"] == name]
    k = int(name[3])
    runs = 2 ** (k - int(name[5]))
    facts = relations(signs_of(rows["generators"].iloc[0], runs), [f"s{j}" for j in range(k)])
    # The file writes a letter's set in any order; a set is a set.
    assert {frozenset(s.split("=")) for s in facts["alias_sets"]} == {
        frozenset(s.split("=")) for s in rows["alias_set"]
    }


def test_a_wrong_generator_does_not_pass_for_the_published_one():
    facts = relations(signs_of("D=AB", 8), list("abcd"))
    assert facts["resolution"] != "IV"


@pytest.mark.parametrize(
    "row", published.table("box_behnken_sizes").to_dict("records"), ids=lambda r: str(r["factors"])
)
def test_box_behnken_plans_have_the_published_number_of_runs(row):
    # Box & Behnken (1960). The general-purpose library's plans for 6 and 7 factors are longer.
    k = int(row["factors"])
    edge = box_behnken(k)
    assert len(edge) == row["edge_runs"] == len(np.unique(edge, axis=0))
    # Every factor is as often low as high, and any two meet all four ways: a second-order plan.
    assert (edge.sum(axis=0) == 0).all()
    for a, b in itertools.combinations(range(k), 2):
        assert np.abs(edge[:, a] @ edge[:, b]) == 0
        both = edge[(edge[:, a] != 0) & (edge[:, b] != 0)]
        assert len(both) >= 4
    if k == 3:
        sheet = plan_trials(numbers(k), trials=int(row["total_runs"]), panels=1, seed=1, kind="box-behnken")
        centre = (sheet[["cut_a", "cut_b", "cut_c"]] == 50).all(axis=1).sum()
        assert centre == row["centre_runs"]


@pytest.mark.parametrize(
    "row",
    [
        r
        for r in published.table("ccd_rotatable_alpha").to_dict("records")
        if "-" not in r["factorial_part"] and r["factors"] <= 6
    ],
    ids=lambda r: str(r["factors"]),
)
def test_axial_points_lie_at_the_rotatable_distance(row):
    # NIST/SEMATECH e-Handbook 5.3.3.6.1: alpha = (factorial runs)^(1/4); here the axial points are the
    # ends of the range, so corners lie at 1 / alpha. corners stand on the nearest level.
    from finishlab.plan.classical import design_of

    k = int(row["factors"])
    highest = {2: 998, 3: 198, 4: 48, 5: 22, 6: 12}[k]  # as fine as ten million processes allow
    design = design_of(numbers(k, 0, highest), "central composite", 200)
    assert design.facts["alpha"] == pytest.approx(row["alpha"], abs=1e-9)
    coded = 2 * design.values / highest - 1
    corners = coded[(np.abs(coded) > 1e-6).all(axis=1)]
    assert len(corners) == row["factorial_runs"]
    np.testing.assert_allclose(np.abs(corners), 1 / row["alpha"], atol=1 / highest + 1e-9)
    assert ((np.abs(coded) > 0.999).sum(axis=1) == 1).sum() == row["axial_runs"]


def test_a_rotatable_plan_foretells_alike_in_all_directions():
    # What rotatable means: the variance of a second-order fit depends on the distance alone.
    from finishlab.plan.classical import design_of

    design = design_of(numbers(2, 0, 998), "central composite", 50)
    coded = design.values / 499 - 1

    def quadratic(v):
        return np.column_stack([np.ones(len(v)), v, v**2, v[:, 0] * v[:, 1]])

    inverse = np.linalg.inv(quadratic(coded).T @ quadratic(coded))
    turn = np.linspace(0, 2 * np.pi, 17)
    ring = quadratic(0.7 * np.column_stack([np.cos(turn), np.sin(turn)]))
    variance = np.einsum("ij,jk,ik->i", ring, inverse, ring)
    np.testing.assert_allclose(variance, variance[0], rtol=0.01)  # corners stand on the nearest of 999 levels


# --- on panels -------------------------------------------------------------------------------


def test_a_full_factorial_holds_every_combination_once():
    study = pairs(4)
    sheet = plan_trials(study, trials=16, panels=2, seed=3, kind="factorial")
    assert len(sheet.drop_duplicates([f.factor for f in study.factors])) == 16
    assert sheet.attrs["design"]["resolution"] == "full"


def test_panels_cost_the_settings_of_a_factorial_nothing():
    # A 2^4 on two or four panels of equal size can be split so that every setting is balanced on each.
    study = pairs(4)
    for panels in (2, 4):
        sheet = plan_trials(study, trials=16, panels=panels, seed=3, kind="factorial")
        for factor in study.factors:
            high = (sheet[factor.factor] == "high").groupby(sheet["panel"]).sum()
            assert (high == 16 / panels / 2).all()


def test_room_that_is_left_repeats_runs_and_todays_process_is_on_every_panel():
    today = "[today]\n" + "".join(f'cut_{c} = "low"\n' for c in "abc")
    sheet = plan_trials(pairs(3, today), trials=12, panels=2, seed=1, kind="factorial")
    assert (sheet["why"] == CONTROL).groupby(sheet["panel"]).sum().tolist() == [1, 1]
    assert len(sheet) == 12
    assert len(sheet.drop_duplicates(["cut_a", "cut_b", "cut_c"])) == 8


def test_a_textbook_plan_is_the_same_for_the_same_seed_and_in_another_order_for_another():
    study = pairs(4)
    one = plan_trials(study, trials=16, panels=2, seed=3, kind="factorial")
    pd.testing.assert_frame_equal(one, plan_trials(study, trials=16, panels=2, seed=3, kind="factorial"))
    other = plan_trials(study, trials=16, panels=2, seed=4, kind="factorial")
    assert not one.equals(other)


def test_aliases_are_said_in_the_studys_own_words():
    sheet = plan_trials(pairs(4), trials=8, panels=2, seed=1, kind="fraction")
    assert sheet.attrs["design"]["aliases"] == (
        "cut a × cut b cannot be told apart from cut c × cut d",
        "cut a × cut c cannot be told apart from cut b × cut d",
        "cut a × cut d cannot be told apart from cut b × cut c",
    )
    assert sheet.attrs["design"]["letters"] == {"A": "cut a", "B": "cut b", "C": "cut c", "D": "cut d"}


def test_an_avoided_combination_goes_to_the_nearest_process_and_that_is_said():
    study = pairs(3, '[[avoid]]\ncut_a = "high"\ncut_b = "high"\n')
    sheet = plan_trials(study, trials=8, panels=1, seed=1, kind="factorial")
    assert not ((sheet["cut_a"] == "high") & (sheet["cut_b"] == "high")).any()
    assert any(c.startswith("2 runs of 8 met an avoided combination") for c in sheet.attrs["cautions"])


def test_whole_passes_move_composite_points_and_the_caution_says_how_far():
    sheet = plan_trials(numbers(2, 1, 8), trials=12, panels=2, seed=1, kind="central composite")
    assert any("moved to the nearest studied level, by up to" in c for c in sheet.attrs["cautions"])
    assert sheet["cut_a"].between(1, 8).all()


def test_other_settings_are_crossed_with_the_points_of_the_numbers():
    text = numbers(2).source.replace("[goal]", 'pad = ["wool", "foam"]\n[goal]')
    sheet = plan_trials(Study.from_toml(text), trials=18, panels=2, seed=1, kind="central composite")
    assert sheet["cut_pad"].value_counts().to_dict() == {"wool": 9, "foam": 9}


# --- messages --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("study", "asked", "words"),
    [
        (pairs(4), {"trials": 12, "panels": 2, "kind": "factorial"}, "factorial: it needs 16 runs, and there is room for 12 beside today's process. Plan 4 trials more, or hold a setting in the study file, or take \"fraction\" or \"best\"."),
        (pairs(12), {"trials": 40, "panels": 2, "kind": "factorial"}, "factorial: it needs 4,096 runs, more than a bench can work. Rather hold a setting in the study file, or take \"fraction\" or \"best\"."),
        (pairs(12), {"trials": 40, "panels": 2, "kind": "fraction"}, "fraction: 12 factors; there are fractions for 3 to 10. Take kind=\"factorial\" or \"best\"."),
        (pairs(4), {"trials": 20, "panels": 2, "kind": "box-behnken"}, "box-behnken: it needs 3 to 7 settings that are numbers; the study varies 0 (none). Take kind=\"best\", or give more settings a lowest and a highest."),
        (numbers(3), {"trials": 9, "panels": 1, "kind": "box-behnken"}, "box-behnken: it needs 13 runs, and there is room for 9 beside today's process. Plan 4 trials more, or hold a setting in the study file, or take \"best\"."),
        (Study.from_toml(pairs(3).source.replace('a = ["low", "high"]', 'a = ["low", "mid", "high"]')), {"trials": 8, "panels": 2, "kind": "fraction"}, "fraction: every setting needs two levels; cut a has 3. Keep two of them in the study file, or take kind=\"best\", which has room for all."),
        (Study.from_toml(pairs(3).source.replace("[goal]", 'hard_to_change = ["a"]\n[goal]')), {"trials": 8, "panels": 2, "kind": "factorial"}, "factorial: settings of cut (a) are hard to change, and a textbook plan changes every setting from patch to patch. Take kind=\"best\", or strike hard_to_change in the study file."),
        (pairs(3), {"trials": 8, "panels": 2, "kind": "factorial", "existing": pd.DataFrame({"cut_a": ["low"], "cut_b": ["low"], "cut_c": ["low"], "panel": ["1"]})}, "existing: a factorial plan is a whole of its own and cannot be built around other trials. Take kind=\"best\", or leave existing out."),
    ],
)  # fmt: skip
def test_a_textbook_plan_that_cannot_be_made_says_why_and_what_to_do(study, asked, words):
    with pytest.raises(PlanError) as caught:
        plan_trials(study, seed=1, **asked)
    assert caught.value.mistakes == (words,)

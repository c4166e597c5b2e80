"""Textbook plans against the textbooks' own tables, and how they are put on panels."""

import itertools

import numpy as np
import pandas as pd
import published
import pytest

from finishlab.errors import PlanError
from finishlab.plan import plan_trials
from finishlab.plan.classical import GENERATORS, LETTERS, box_behnken, designs_of, relations
from finishlab.plan.trial_plan import CONTROL
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


def factors_of(row):
    return int(row["design"].split("(")[1].split("-")[0])


@pytest.mark.parametrize(
    "row",
    # Our table leaves out some sizes.
    [
        row
        for row in published.table("fractional_factorials").to_dict("records")
        if (factors_of(row), int(row["runs"])) in GENERATORS
    ],
    ids=lambda r: r["design"],
)
def test_our_own_fractions_have_the_tabled_resolution(row):
    k, runs = factors_of(row), int(row["runs"])
    by_size = {design.facts["runs"]: design.facts for design in designs_of(pairs(k), "fraction")}
    facts = by_size[runs]
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
    k = int(row["factors"])
    highest = {2: 998, 3: 198, 4: 48, 5: 22, 6: 12}[k]  # as fine as ten million processes allow
    design = designs_of(numbers(k, 0, highest), "central composite")[0]
    assert design.facts["alpha"] == pytest.approx(row["alpha"], abs=1e-9)
    coded = 2 * design.values / highest - 1
    corners = coded[(np.abs(coded) > 1e-6).all(axis=1)]
    assert len(corners) == row["factorial_runs"]
    np.testing.assert_allclose(np.abs(corners), 1 / row["alpha"], atol=1 / highest + 1e-9)
    assert ((np.abs(coded) > 0.999).sum(axis=1) == 1).sum() == row["axial_runs"]


def test_a_rotatable_plan_foretells_alike_in_all_directions():
    # What rotatable means: the variance of a second-order fit depends on the distance alone.
    design = designs_of(numbers(2, 0, 998), "central composite")[0]
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


# --- built around what was run before ---------------------------------------------------------

TODAY = "[today]\n" + "".join(f'cut_{c} = "low"\n' for c in "abc")


def test_the_other_half_of_a_factorial_completes_the_half_that_was_run():
    # Half of 2^4 (ABCD = I), then the whole: the eight runs that are missing, each once, make it full.
    study = pairs(4)
    names = [f.factor for f in study.factors]
    half = plan_trials(study, trials=8, panels=2, seed=1, kind="fraction")
    rest = plan_trials(study, trials=8, panels=2, seed=2, kind="factorial", existing=half)
    both = pd.concat([half, rest])
    assert len(both.drop_duplicates(names)) == 16
    assert set(rest["panel"]) == {"3", "4"}
    assert relations(np.where(both[names] == "high", 1, -1), names)["resolution"] == "full"
    design = rest.attrs["design"]
    assert len(design["already_run"]) == 8
    assert design["already_run"][0] == "low, low, low, low"
    (said,) = [c for c in rest.attrs["cautions"] if "will not be worked again" in c]
    assert said.startswith(
        "8 of the 16 runs stand in the existing trials and will not be worked again: low, low, low, low / "
    )
    assert " / and 4 more." in said


def test_axial_points_are_added_to_a_factorial_that_was_run():
    # A central composite plan in two stages, as textbooks have it: corners first, then axial and centre points.
    study = numbers(2)
    corners = plan_trials(study, trials=4, panels=1, seed=1, kind="factorial")
    points = pd.DataFrame(
        {"cut_a": [15, 15, 85, 85], "cut_b": [15, 85, 15, 85], "panel": "1"}
    )  # alpha is 1.41
    later = plan_trials(study, trials=8, panels=1, seed=1, kind="central composite", existing=points)
    assert sorted(zip(later["cut_a"], later["cut_b"], strict=True)) == [
        (0, 50),
        *[(50, 0)],
        *[(50, 50)] * 4,
        (50, 100),
        (100, 50),
    ]
    # The factorial's own corners are the lowest and highest, other points than the composite's.
    none = plan_trials(study, trials=12, panels=1, seed=1, kind="central composite", existing=corners)
    assert "already_run" not in none.attrs["design"]


def test_one_existing_trial_stands_for_one_run_and_a_spoiled_one_for_none():
    study = pairs(2)
    before = pd.DataFrame(
        {
            "cut_a": ["low"] * 3,
            "cut_b": ["low", "low", "high"],
            "panel": "7",
            "status": ["done", "done", "spoiled"],
        }
    )
    sheet = plan_trials(study, trials=3, panels=1, seed=1, kind="factorial", existing=before)
    assert sorted(sheet["cut_a"] + sheet["cut_b"]) == ["highhigh", "highlow", "lowhigh"]


def test_a_plan_that_was_run_already_is_repeated():
    study = pairs(2)
    first = plan_trials(study, trials=4, panels=1, seed=1, kind="factorial")
    again = plan_trials(study, trials=4, panels=1, seed=1, kind="factorial", existing=first)
    assert len(again.drop_duplicates(["cut_a", "cut_b"])) == 4
    assert any(
        c.startswith("Every run of this factorial plan stands in the existing trials")
        for c in again.attrs["cautions"]
    )


# --- settings that are hard to change ---------------------------------------------------------


def hard(study, *names, unit="panel"):
    """The same study with settings hard to change."""
    listed = ", ".join(f'"{n}"' for n in names or ("a",))
    return Study.from_toml(
        study.source.replace("[goal]", f'hard_to_change = [{listed}]\nunit = "{unit}"\n[goal]')
    )


def choices(sheet, by, name="cut_a"):
    """How many settings of a factor there are on each panel, or half of one."""
    return [len(set(some[name])) for _, some in sheet.groupby(by)]


def test_hard_to_change_settings_stay_the_same_over_a_panel_and_the_rest_is_a_factorial_on_each():
    sheet = plan_trials(hard(pairs(3, TODAY)), trials=20, panels=4, seed=1, kind="factorial")
    assert set(choices(sheet, "panel")) == {1}
    assert sheet.groupby("panel")["cut_a"].first().value_counts().to_dict() == {"low": 2, "high": 2}
    # Today's process only where its own hard setting is; the whole factorial is there.
    control = sheet["why"] == CONTROL
    assert control.groupby(sheet["panel"]).sum().sum() == 2
    assert set(sheet.loc[control, "cut_a"]) == {"low"}
    assert len(sheet[~control].drop_duplicates(["cut_a", "cut_b", "cut_c"])) == 8
    # 18 more runs of 8 on four panels: b and c are balanced as nearly as can be on each.
    for name in ("cut_b", "cut_c"):
        high = (sheet.loc[~control, name] == "high").groupby(sheet.loc[~control, "panel"]).mean()
        assert high.between(0.35, 0.65).all()
    assert sheet.attrs["cautions"][0].startswith("Today's process runs only on panel ")
    assert any(
        "cut a changes only by panel: 1 difference to be learnt leaves 2 degrees of freedom" in c
        for c in sheet.attrs["cautions"]
    )


def test_the_panels_of_a_split_plot_are_not_worked_in_the_order_of_their_settings():
    firsts = {
        tuple(
            plan_trials(hard(pairs(3)), trials=16, panels=4, seed=s, kind="factorial")
            .groupby("panel")["cut_a"]
            .first()
        )
        for s in range(8)
    }
    assert len(firsts) > 2


def test_settings_that_change_by_half_panel_do_so_in_a_textbook_plan():
    sheet = plan_trials(hard(pairs(3), unit="half panel"), trials=16, panels=4, seed=1, kind="factorial")
    assert set(choices(sheet, ["panel", "half_panel"])) == {1}
    assert set(choices(sheet, "panel")) == {2}
    assert (sheet.groupby(["panel", "half_panel"]).size() == 2).all()
    assert len(sheet.drop_duplicates(["cut_a", "cut_b", "cut_c"])) == 8


def test_a_composite_plan_with_a_hard_number_sorts_its_levels_onto_panels():
    sheet = plan_trials(hard(numbers(2)), trials=20, panels=10, seed=1, kind="central composite")
    assert set(choices(sheet, "panel")) == {1}
    assert set(sheet["cut_a"]) == {0, 15, 50, 85, 100}
    assert not (sheet["why"] == CONTROL).any()


def test_an_avoided_run_moves_within_its_panel():
    study = hard(pairs(3, '[[avoid]]\ncut_a = "high"\ncut_b = "high"\n'))
    sheet = plan_trials(study, trials=8, panels=2, seed=1, kind="factorial")
    assert (sheet["cut_a"] == "high").sum() == 4
    assert not ((sheet["cut_a"] == "high") & (sheet["cut_b"] == "high")).any()


def test_a_larger_fraction_is_taken_where_the_smaller_would_tie_a_setting_to_the_panels():
    # Of 2^(5-2) (D=AB) nothing is left of d on a panel with a and b held; 2^(5-1) has no such word.
    sheet = plan_trials(hard(pairs(5), "a", "b"), trials=16, panels=4, seed=1, kind="fraction")
    assert sheet.attrs["design"]["runs"] == 16
    assert set(choices(sheet, "panel", "cut_d")) == {2}


# --- messages --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("study", "asked", "words"),
    [
        (pairs(4), {"trials": 12, "panels": 2, "kind": "factorial"}, "factorial: it needs 16 runs, and there is room for 12. Plan 4 trials more, or hold a setting in the study file, or take \"fraction\" or \"best\"."),
        (pairs(12), {"trials": 40, "panels": 2, "kind": "factorial"}, "factorial: it needs 4,096 runs, more than a bench can work. Rather hold a setting in the study file, or take \"fraction\" or \"best\"."),
        (pairs(12), {"trials": 40, "panels": 2, "kind": "fraction"}, "fraction: 12 factors; there are fractions for 3 to 10. Take kind=\"factorial\" or \"best\"."),
        (pairs(4), {"trials": 20, "panels": 2, "kind": "box-behnken"}, "box-behnken: it needs 3 to 7 settings that are numbers; the study varies 0 (none). Take kind=\"best\", or give more settings a lowest and a highest."),
        (numbers(3), {"trials": 9, "panels": 1, "kind": "box-behnken"}, "box-behnken: it needs 13 runs, and there is room for 9. Plan 4 trials more, or hold a setting in the study file, or take \"best\"."),
        (Study.from_toml(pairs(3).source.replace('a = ["low", "high"]', 'a = ["low", "mid", "high"]')), {"trials": 8, "panels": 2, "kind": "fraction"}, "fraction: every setting needs two levels; cut a has 3. Keep two of them in the study file, or take kind=\"best\", which has room for all."),
        (pairs(3, TODAY), {"trials": 9, "panels": 2, "kind": "factorial"}, "factorial: it needs 8 runs, and there is room for 7 beside today's process. Plan 1 trial more, or hold a setting in the study file, or take \"fraction\" or \"best\"."),
        (Study.from_toml(pairs(5, TODAY + 'cut_d = "low"\ncut_e = "low"\n').source.replace("patches = 40", "patches = 8")), {"trials": 16, "panels": 2, "kind": "factorial"}, "factorial: it needs 32 runs, and there is room for 14 beside today's process. Plan 18 trials more, or hold a setting in the study file, or take \"fraction\" or \"best\"."),
        (pairs(4), {"trials": 12, "panels": 2, "kind": "factorial", "existing": pd.DataFrame({"cut_a": ["low"], "cut_b": ["low"], "cut_c": ["low"], "cut_d": ["low"], "panel": ["1"]})}, "factorial: it needs 16 runs, 1 of them worked already, and there is room for 12. Plan 3 trials more, or hold a setting in the study file, or take \"fraction\" or \"best\"."),
        (hard(pairs(3)), {"trials": 8, "panels": 1, "kind": "factorial"}, "factorial: cut a, hard to change, has 2 choices in this plan, and each needs panels of its own: 2, and twice that to tell what it does from how panels differ. There are 1. Plan more panels, or hold a setting in the study file, or take \"fraction\" or \"best\"."),
        (hard(pairs(5), "a", "b"), {"trials": 8, "panels": 4, "kind": "fraction"}, "fraction: cut d would change only together with cut a and cut b, hard to change, and so only from panel to panel. Plan more trials for a larger plan, or hold a setting in the study file, or take \"best\"."),
    ],
)  # fmt: skip
def test_a_textbook_plan_that_cannot_be_made_says_why_and_what_to_do(study, asked, words):
    with pytest.raises(PlanError) as caught:
        plan_trials(study, seed=1, **asked)
    assert caught.value.mistakes == (words,)

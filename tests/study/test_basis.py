"""Every admissible process once, and one coding of factors."""

import itertools
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from finishlab.errors import OutsideStudy
from finishlab.study import Condition, Study

REFERENCE = Path(__file__).parent.parent / "reference"
HEAD = 'title = "Doors"\npass_means = "one direction"\n'
GOAL = "[goal]\nfaults = { at_most = 0 }\nassurance = 0.9\n"

SMALL = (
    HEAD
    + """
[[step]]
name = "sand"
grit = ["P1500", "P2000", "P2500"]
pad = ["soft", "medium", "firm"]
order = ["pad"]
[[step]]
name = "polish"
product = ["polish A", "polish B", "polish C"]
speed = { lowest = 900, highest = 1500, by = 300 }
passes = { lowest = 0, highest = 4 }
"""
    + GOAL
)


@pytest.fixture
def basis():
    return Study.from_toml(SMALL).basis


def every(basis):
    return np.vstack(list(basis.chunks()))


# --- which processes there are ---------------------------------------------------------------


def random_study(seed):
    """Return the text of a study with random steps, held settings, left-out steps and avoids."""
    rng = np.random.default_rng(seed)
    text, levels = HEAD, {}
    for step in ("sand", "cut", "polish")[: rng.integers(1, 4)]:
        text += f'[[step]]\nname = "{step}"\n'
        for setting in ("pad", "passes", "product", "speed", "seconds")[: rng.integers(2, 5)]:
            n = int(rng.integers(1, 4))
            if setting in ("pad", "product"):
                mine = [f"{setting} {letter}" for letter in "ABC"[:n]]
            else:
                first = int(rng.integers(0, 2)) if setting == "passes" and n > 1 else 2
                mine = [first + k for k in range(n)]
            levels[f"{step}_{setting}"] = mine
            text += f"{setting} = {mine}\n"
    if all(len(v) == 1 for v in levels.values()):
        text += "extra = [1, 2]\n"
        levels[f"{step}_extra"] = [1, 2]
    avoids = []
    for _ in range(rng.integers(0, 4)):
        names = rng.choice(list(levels), size=min(len(levels), rng.integers(1, 4)), replace=False)
        rule = {}
        for name in map(str, names):
            if isinstance(levels[name][0], int) and rng.random() < 0.5:
                rule[name] = ("at_most", int(rng.choice(levels[name])))
            else:
                rule[name] = ("one of", list(rng.permutation(levels[name])[: rng.integers(1, 3)]))
        avoids.append(rule)
        text += "[[avoid]]\n"
        for name, (word, value) in rule.items():
            value = [v.item() for v in value] if word == "one of" else value
            text += f"{name} = {value}\n" if word == "one of" else f"{name} = {{ at_most = {value} }}\n"
    return text + GOAL, levels, avoids


def by_hand(levels, avoids):
    """Enumerate every combination in plain Python, the slow and obvious way."""
    found = set()
    for choice in itertools.product(*levels.values()):
        process = dict(zip(levels, choice, strict=True))
        for name in levels:
            step = name.split("_")[0]
            if process.get(f"{step}_passes") == 0 and name != f"{step}_passes":
                process[name] = None
        avoided = any(
            all(
                process[n] is not None and (process[n] <= v if word == "at_most" else process[n] in v)
                for n, (word, v) in rule.items()
            )
            for rule in avoids
        )
        if not avoided:
            found.add(tuple(process[n] for n in levels if len(levels[n]) > 1))
    return found


@pytest.mark.parametrize("seed", range(60))
def test_the_grid_is_every_admissible_process_once(seed):
    text, levels, avoids = random_study(seed)
    wanted = by_hand(levels, avoids)
    if not wanted:
        with pytest.raises(ValueError, match="no process is left"):
            Study.from_toml(text)
        return
    basis = Study.from_toml(text).basis
    rows = [tuple(basis.settings(row).values()) for row in every(basis)]
    assert basis.size == len(wanted) == len(rows)
    assert set(rows) == wanted


def test_the_random_studies_cover_left_out_steps_avoids_and_empty_grids():
    # A guard on the generator: a test of nothing would pass too.
    studies = [random_study(seed) for seed in range(60)]
    assert (
        sum(any(0 in v for n, v in levels.items() if n.endswith("passes")) for _, levels, _ in studies) > 15
    )
    assert sum(bool(avoids) for *_, avoids in studies) > 25
    assert 0 < sum(not by_hand(levels, avoids) for _, levels, avoids in studies) < 20


def test_an_avoided_held_setting_does_not_count_where_its_step_is_left_out():
    text = SMALL.replace('product = ["polish A", "polish B", "polish C"]', 'product = "polish A"')
    rule = '[[avoid]]\nsand_grit = "P1500"\npolish_product = "polish A"\n'
    basis = Study.from_toml(text + rule).basis
    # 9 ways to sand times (left out, or 3 speeds x 4 passes), less 3 ways with P1500 that polish.
    assert basis.size == 9 * 13 - 3 * 12
    assert len(every(basis)) == basis.size


def test_the_size_of_the_chunks_does_not_matter(basis):
    assert [len(c) for c in basis.chunks(100)] == [100, 100, 100, 33]
    np.testing.assert_array_equal(np.vstack(list(basis.chunks(7))), every(basis))


def test_a_million_processes_are_counted_without_being_built():
    steps = "".join(
        f'[[step]]\nname = "{name}"\npad = ["a", "b", "c", "d", "e"]\npasses = {{ lowest = 1, highest = 20 }}\n'
        for name in ("sand", "cut", "polish")
    )
    basis = Study.from_toml(HEAD + steps + GOAL).basis
    assert basis.size == 100**3
    # The first chunk comes without the rest.
    assert len(next(basis.chunks(1000))) == 1000


# --- words in, words out ------------------------------------------------------------------------


def test_values_of_a_frame_are_the_same_values(basis):
    values = every(basis)
    np.testing.assert_array_equal(basis.values(basis.frame(values)), values)


def test_one_row_comes_back_from_its_settings(basis):
    for row in every(basis)[::17]:
        np.testing.assert_array_equal(basis.row(basis.settings(row)), row[None])


def test_values_survive_a_csv_file(basis, tmp_path):
    basis.frame(every(basis)).to_csv(tmp_path / "processes.csv", index=False)
    np.testing.assert_array_equal(basis.values(pd.read_csv(tmp_path / "processes.csv")), every(basis))


def table(**changes):
    row = {
        "sand_grit": "P2000",
        "sand_pad": "soft",
        "polish_product": "polish B",
        "polish_speed": 1200,
        "polish_passes": 2,
    }
    return pd.DataFrame([row | changes])


def test_order_of_columns_capitals_spaces_and_further_columns_do_not_matter(basis):
    plain = basis.values(table())
    messy = table(sand_grit=" p 2000", sand_pad="SOFT ", panel="A", polish_passes="2")
    np.testing.assert_array_equal(basis.values(messy[messy.columns[::-1]]), plain)
    np.testing.assert_array_equal(basis.values(table().astype({"sand_pad": "category"})), plain)


@pytest.mark.parametrize("nonsense", [None, "never tried", float("nan"), "polish A"])
def test_settings_of_a_left_out_step_never_matter(basis, nonsense):
    values = basis.values(table(polish_passes=0, polish_product=nonsense, polish_speed=1e6))
    np.testing.assert_array_equal(values, basis.values(table(polish_passes=0)))
    assert np.isnan(values[0, [2, 3]]).all()
    assert basis.settings(values[0])["polish_product"] is None


def test_numbers_between_studied_levels_are_inside_the_study(basis):
    assert basis.values(table(polish_speed=1000.5))[0, basis.column("polish_speed")] == 1000.5


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"sand_grit": "P3000"}, "row 0: sand_grit is 'P3000'; that was never tried. Tried are P1500, P2000, P2500."),
        ({"polish_passes": 5}, "row 0: polish_passes is 5; studied are whole numbers 0 to 4. Stay within them, or add trials there."),
        ({"polish_passes": 1.5}, "row 0: polish_passes is 1.5; studied are whole numbers 0 to 4."),
        ({"polish_speed": 800}, "row 0: polish_speed is 800; studied are 900 to 1500."),
        ({"polish_speed": "fast"}, "row 0: polish_speed is fast; studied are 900 to 1500."),
        ({"sand_pad": None}, "row 0: sand_pad is None; that was never tried."),
        ({"polish_passes": None}, "row 0: polish_passes is None; studied are whole numbers 0 to 4."),
    ],
)  # fmt: skip
def test_a_process_outside_the_study_is_answered_in_plain_words(basis, changes, sentence):
    with pytest.raises(OutsideStudy) as caught:
        basis.values(table(**changes))
    assert sentence in str(caught.value)


def test_many_wrong_rows_are_shown_a_few_and_counted(basis):
    wrong = pd.concat([table(sand_pad="hard")] * 12, ignore_index=True)
    with pytest.raises(OutsideStudy) as caught:
        basis.values(wrong)
    assert len(caught.value.mistakes) == 6
    assert caught.value.mistakes[-1] == "and 7 more rows with such a sand_pad."


def test_missing_and_doubled_columns_are_all_named(basis):
    wrong = table().drop(columns=["sand_pad", "polish_speed"])
    wrong.insert(0, "sand_grit", "P1500", allow_duplicates=True)
    with pytest.raises(OutsideStudy) as caught:
        basis.values(wrong)
    assert caught.value.mistakes == (
        "column 'sand_pad' is missing. Columns: sand_grit, sand_grit, polish_product, polish_passes.",
        "column 'polish_speed' is missing. Columns: sand_grit, sand_grit, polish_product, polish_passes.",
        "column 'sand_grit' is there more than once. Keep one.",
    )


# --- the coding ------------------------------------------------------------------------------


def test_coded_columns_have_the_documented_ranges(basis):
    values = every(basis)
    grit, pad, product, speed, passes = basis.coded(values)
    polished = passes[:, 0] > -1
    assert (grit.min(), grit.max()) == (-1, 1)
    assert set(np.unique(pad)) == {-0.5, 0.5}
    assert set(np.unique(product)) == {-1, 0, 1}
    assert set(np.unique(speed[polished])) == {-1, 0, 1}
    assert set(np.unique(passes)) == {-1, -0.5, 0, 0.5, 1}
    assert (product[~polished] == 0).all()
    assert (speed[~polished] == 0).all()
    assert [c.shape[1] for c in (grit, pad, product, speed, passes)] == [len(n) for n in basis.main]


def test_the_middle_grit_stands_where_the_logarithm_of_its_grain_puts_it(basis):
    # P1500 12.6, P2000 10.3, P2500 8.4 micrometres (FEPA 43-2 / ISO 6344-3, see grit_p_series.csv).
    coarse, middle, fine = (
        basis.coded(basis.values(table(sand_grit=g)))[0][0, 0] for g in ("P1500", "P2000", "P2500")
    )
    assert (coarse, fine) == (1, -1)
    assert middle == pytest.approx(2 * np.log(10.3 / 8.4) / np.log(12.6 / 8.4) - 1)


def test_an_ordered_setting_has_a_column_for_each_step_between_neighbours(basis):
    codes = [basis.coded(basis.values(table(sand_pad=p)))[1][0].tolist() for p in ("soft", "medium", "firm")]
    assert codes == [[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5]]
    assert basis.main[1] == ("sand_pad:medium", "sand_pad:firm")


def test_a_choice_sums_to_zero_over_its_levels(basis):
    codes = [basis.coded(basis.values(table(polish_product=f"polish {p}")))[2][0] for p in "ABC"]
    np.testing.assert_array_equal(np.sum(codes, axis=0), [0, 0])


def test_columns_have_a_name_each_and_products_are_products(basis):
    values = every(basis)
    matrix, names = basis.columns(values)
    assert matrix.shape == (len(values), len(names))
    assert len(set(names)) == len(names)
    # 7 main columns, 3 squares, products of two factors: 1, 2, 2, 1, 1 columns each.
    assert len(names) == 7 + 3 + (1 * 6 + 2 * 4 + 2 * 2 + 1 * 1)
    at = {n: matrix[:, k] for k, n in enumerate(names)}
    np.testing.assert_array_equal(at["polish_passes^2"], at["polish_passes"] ** 2)
    for name in names:
        if " x " in name:
            a, b = name.split(" x ")
            np.testing.assert_array_equal(at[name], at[a] * at[b])
    assert basis.columns(values, squares=False, pairs=False)[1] == [n for names in basis.main for n in names]


def test_no_processes_have_no_rows_and_every_column(basis):
    none = every(basis)[:0]
    assert basis.columns(none)[0].shape == (0, len(basis.columns(every(basis))[1]))
    assert basis.values(basis.frame(none)).shape == none.shape


def test_two_level_factors_are_coded_as_in_the_handbook_ceramic_study():
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 5.4.7.1: 2^5, 32 runs, coded -1 and 1.
    # The level names are ours: only the coded columns are published in the file.
    published = pd.read_csv(REFERENCE / "doe_ceramic_2p5.csv", comment="#")
    study = Study.from_toml(
        HEAD
        + '[[step]]\nname = "grind"\nspeed = [10, 50]\nfeed = [2, 6]\nwheel = [1, 2]\n'
        # A choice has 1 at its first level, so the handbook's high level stands first.
        + 'direction = ["across", "along"]\nbatch = ["second", "first"]\n'
        + GOAL
    )
    high = {
        "speed": (10.0, 50.0),
        "feed": (2.0, 6.0),
        "wheel": (1.0, 2.0),
        "direction": ("along", "across"),
        "batch": ("first", "second"),
    }
    coded = published.rename(columns={"grit": "wheel"})
    trials = pd.DataFrame(
        {f"grind_{n}": coded[n].map({-1: low, 1: top}) for n, (low, top) in high.items()},
    )
    matrix, names = study.basis.columns(study.basis.values(trials))
    main = coded[list(high)].to_numpy(float)
    pairs = [main[:, i] * main[:, j] for i, j in itertools.combinations(range(5), 2)]
    np.testing.assert_array_equal(matrix, np.column_stack([main, *pairs]))
    # A 2^5 is orthogonal, so its information matrix is 32 times the identity.
    np.testing.assert_array_equal(matrix.T @ matrix, 32 * np.eye(15))
    assert len(names) == 15


def test_the_avoided_conditions_use_the_numbers_a_person_wrote():
    text = SMALL + "[[avoid]]\npolish_speed = { within = [1000, 1300] }\n"
    study = Study.from_toml(text)
    assert study.avoid[0].parts == {"polish_speed": Condition(1000, 1300)}
    speeds = every(study.basis)[:, study.basis.column("polish_speed")]
    assert set(speeds[~np.isnan(speeds)]) == {900.0, 1500.0}

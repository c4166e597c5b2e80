"""Checks of digits, directions of rounding, words and small tables."""

import html.parser
import math

import numpy as np
import pandas as pd
import pytest
import stand_ins

from finishlab.words import show

# --- digits ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "uncertainty", "shown"),
    [
        # Rule of the Particle Data Group, Review of Particle Physics, introduction, 5.3;
        # the first two as worked in the description of a public rounding library (read).
        (12.2135, 0.03215, "12.214"),
        (12.2135, 0.06515, "12.21"),
        # The rule's own two examples (from memory).
        (0.827, 0.119, "0.83"),
        (0.827, 0.367, "0.8"),
        # At the borders of the rule: 354 | 355 and 949 | 950 (which becomes 1000, two digits).
        (1.23456, 0.354, "1.23"),
        (1.23456, 0.355, "1.2"),
        (1.23456, 0.949, "1.2"),
        (1.23456, 0.950, "1.2"),
        (123.456, 95.0, "120"),
        (1234.5, 420.0, "1200"),
        (0.00123456, 0.0000999, "0.00123"),
    ],
)
def test_digits_are_those_the_particle_data_group_would_print(
    value: float, uncertainty: float, shown: str
) -> None:
    assert show.number(value, show.decimals(uncertainty)) == shown


@pytest.mark.parametrize("uncertainty", [0.0, -1.0, math.nan, math.inf])
def test_an_uncertainty_that_says_nothing_gives_one_decimal(uncertainty: float) -> None:
    assert show.decimals(uncertainty) == 1


def test_rounding_never_crosses_the_number_it_rounds() -> None:
    rng = np.random.default_rng(4)
    for x in rng.uniform(-200, 200, 500):
        for places in (-1, 0, 1, 2, 3):
            low, high = (float(show.number(x, places, way)) for way in ("down", "up"))
            # 12 significant digits are kept, so the noise of floating point is all that is let through.
            assert low <= x + 1e-9
            assert high >= x - 1e-9
            assert high - low == pytest.approx(10.0**-places)


@pytest.mark.parametrize("value", [0.29 * 100, 0.1 + 0.2, 1.1 * 3, 4.35 * 100])
def test_the_noise_of_floating_point_rounds_neither_up_nor_down(value: float) -> None:
    wanted = f"{round(value, 6):.1f}"
    assert show.number(value, 1, "down") == show.number(value, 1, "up") == wanted


def test_a_small_negative_number_does_not_show_a_minus_zero() -> None:
    assert show.number(-0.01, 1) == "0.0"


def test_an_interval_only_ever_grows_when_it_is_shown() -> None:
    assert show.interval_text(6.11, 7.72, "minutes") == "6.1 to 7.8 minutes"
    assert show.interval_text(82.99, 87.01, "GU") == "82.9 to 87.1 GU"
    assert show.interval_text(8.4, 16.9) == "8 to 17"
    assert show.interval_text(-0.412, 0.198, "minutes") == "-0.5 to 0.2 minutes"
    assert show.interval_text(80.524, 81.087, "GU") == "80.5 to 81.1 GU"


# --- caution ---------------------------------------------------------------------------------


def test_no_probability_is_ever_shown_above_what_it_is_or_as_certain() -> None:
    for p in np.linspace(0, 1, 2001):
        text = show.percent(float(p))
        assert "100" not in text
        if not text.startswith(("over", "under")):
            assert float(text.removesuffix(" %")) <= 100 * p + 1e-9


def test_a_probability_just_under_the_asked_one_does_not_look_like_it() -> None:
    assert show.percent(0.8999) == "89 %"
    assert show.percent(0.9899) == "98 %"
    assert show.percent(0.99) == "99.0 %"
    assert show.asked_percent(0.995) == "99.5 %"


def test_minutes_go_up_and_savings_down() -> None:
    assert show.minutes_text(6.83) == "6.9 minutes"
    assert show.minutes_text(6.80) == "6.8 minutes"
    assert show.minutes_text(2.19, "down") == "2.1 minutes"


# --- words -----------------------------------------------------------------------------------


def test_a_process_reads_as_a_shop_would_say_it() -> None:
    study = stand_ins.study()
    assert (
        show.process_text(stand_ins.settings(), study) == "P2000; wool, compound A, 4 passes; polish 2 passes"
    )


def test_a_left_out_step_is_named_as_left_out_and_its_settings_are_not() -> None:
    study = stand_ins.study()
    told = show.process_text(stand_ins.settings(cut_passes=1, polish_passes=0), study)
    assert told == "P2000; wool, compound A, 1 pass; polish left out"


def test_two_steps_with_the_same_kind_of_setting_are_told_apart_by_name() -> None:
    study = stand_ins.Study.from_toml(
        """
        title = "Middle grit"
        pass_means = "one direction"
        [[step]]
        name = "sand"
        grit = ["P1500", "P2000"]
        passes = 2
        [[step]]
        name = "refine"
        grit = ["P2500", "P3000"]
        seconds = { lowest = 0, highest = 60, by = 30 }
        [goal]
        gloss_20 = { at_least = 40 }
        assurance = 0.9
        """
    )
    settings = {"sand_grit": "P1500", "refine_grit": "P3000", "refine_seconds": 30.0}
    assert show.process_text(settings, study) == "sand P1500; refine P3000, 30 seconds"
    assert (
        show.process_text({"sand_grit": "P1500", "refine_seconds": 0.0}, study)
        == "sand P1500; refine left out"
    )


def test_every_label_of_a_reading_carries_its_unit() -> None:
    assert show.label("gloss_20") == "20° gloss, GU"
    assert show.label("sand_gloss_60") == "sand 60° gloss, GU"
    assert show.label("removed_um") == "film removed, µm"
    assert show.label("cut_pad") == "cut pad"
    # A shop's own column that only happens to contain the letters keeps its name.
    assert show.label("extrahazement") == "extrahazement"


# --- tables ----------------------------------------------------------------------------------

HOSTILE = "<script>alert('x')</script> & \"quote\" ]]> {{7*7}}"


class _Tags(html.parser.HTMLParser):
    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.open.append(tag)
        self.seen.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def test_a_table_shows_hostile_text_as_text() -> None:
    page = show.sentence_and_table(HOSTILE, pd.DataFrame({HOSTILE: [HOSTILE], "minutes": [6.83]}))
    tags = _Tags(page)
    assert not tags.open
    assert set(tags.seen) == {"p", "div", "table", "thead", "tbody", "tr", "th", "td"}
    assert tags.words.count(HOSTILE) == 3


def test_a_table_stays_out_of_the_contents_and_takes_the_notebooks_colours() -> None:
    page = show.html_table(pd.DataFrame({"minutes": [6.83, 7.0], "keeps_limits": [True, False]}))
    assert not {"h1", "h2", "h3"} & set(_Tags(page).seen)
    assert "jp-toc-ignore" in page
    assert "#" not in page  # no colour of its own, so it reads on light and on dark


def test_a_table_rounds_each_column_as_it_asks() -> None:
    df = pd.DataFrame(
        {
            "cut_pad": ["wool", None],
            "cut_passes": [4, 8],
            "minutes": [6.83, math.nan],
            "minutes_low": [6.19, math.nan],
            "gloss_20_job_low": [83.79, 84.0],
            "gloss_20_job_high": [88.21, 89.0],
            "assurance": [0.9183, 0.9999],
            "keeps_limits": [True, False],
            "expected": [84.23456, 3.0],
        }
    )
    words = _Tags(show.html_table(df)).words[len(df.columns) :]
    assert words[:9] == ["wool", "4", "6.9", "6.1", "83.7", "88.3", "91 %", "yes", "84.23"]
    assert words[9:] == ["–", "8", "–", "–", "84.0", "89.0", "over 99.9 %", "no", "3"]


def test_a_long_table_shows_its_first_rows_and_counts_the_rest() -> None:
    page = show.html_table(pd.DataFrame({"a": range(50)}), rows=3)
    assert page.count("<tr>") == 4
    assert "and 47 more rows." in page


def test_a_table_is_not_changed_by_showing_it() -> None:
    df = pd.DataFrame({"minutes": [6.83]})
    show.html_table(df)
    assert df["minutes"].tolist() == [6.83]


def test_a_step_whose_name_ends_in_a_number_is_told_from_its_passes():
    from finishlab import Study

    study = Study.from_toml(
        """
        title = "Doors"
        pass_means = "one direction"
        [[step]]
        name = "refine"
        passes = { lowest = 0, highest = 2 }
        [[step]]
        name = "refine_2"
        passes = { lowest = 0, highest = 2 }
        [goal]
        gloss_20 = { at_least = 82 }
        assurance = 0.9
        """
    )
    process = {"refine_passes": 1, "refine_2_passes": 2}
    assert show.process_text(process, study) == "refine 1 pass; refine 2: 2 passes"

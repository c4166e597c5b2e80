"""A newcomer's count of panels: exact limits against closed forms and a general-purpose library."""

import numpy as np
import pytest
from scipy import stats

import finishlab as fl
from finishlab.errors import RecordsError
from finishlab.figures.frame import blank


@pytest.mark.parametrize("n", [1, 5, 10, 22, 29])
def test_all_in_band_is_the_closed_form(n):
    # All of n in band with probability share**n: the share at which that is 1 - confidence.
    assert fl.certify(n, n).at_least == pytest.approx(0.1 ** (1 / n))


@pytest.mark.parametrize(
    ("k", "n"), [(0, 4), (0, 5), (3, 10), (3, 12), (9, 10), (12, 12), (18, 20), (40, 44)]
)
def test_the_limits_are_those_of_scipys_exact_test(k, n):
    # scipy.stats.binomtest, exact one-sided limits (Clopper & Pearson 1934).
    found = fl.certify(k, n, confidence=0.95)
    for side, limit in (("greater", found.at_least), ("less", found.at_most)):
        ci = stats.binomtest(k, n, alternative=side).proportion_ci(0.95, "exact")
        assert limit == pytest.approx(ci.low if side == "greater" else ci.high)


def test_a_newcomer_who_does_not_come_up_to_it_is_seldom_certified():
    # Somebody at just the wanted share may pass by luck in one case of ten at most.
    counts = np.random.default_rng(3).binomial(30, 0.9, 2000)
    passes = [fl.certify(int(k), 30).verdict == "shown" for k in range(31)]
    assert np.mean(np.array(passes)[counts]) <= 0.1 + 3 * np.sqrt(0.1 * 0.9 / 2000)


def test_what_would_show_it_does_and_one_less_does_not():
    for k, n in ((10, 10), (9, 10), (17, 20)):
        more = fl.certify(k, n).further
        assert fl.certify(k + more, n + more).verdict == "shown"
        assert fl.certify(k + more - 1, n + more - 1).verdict != "shown"


def test_a_count_that_falls_short_says_to_train_on():
    assert fl.certify(5, 12).text().endswith("Train on, and begin the count anew.")


def test_more_panels_in_band_never_show_less():
    lows = [fl.certify(k, 15).at_least for k in range(16)]
    assert lows == sorted(lows)


def test_all_mistakes_are_said_at_once():
    with pytest.raises(RecordsError) as error:
        fl.certify(3.5, 10, wanted=90, confidence=1)
    assert len(error.value.mistakes) == 3


def test_the_figure_names_what_was_asked_for():
    ax = fl.certify(10, 10).plot(ax=blank())
    assert ax.get_title(loc="left") == "10 of 10 panels in band: cannot tell yet"
    assert [t.get_text() for t in ax.figure.legends[0].get_texts()] if ax.figure.legends else ax.get_legend()

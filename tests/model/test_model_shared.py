"""Half panels, technicians and lots as random effects, and what the next job meets of them."""

import numpy as np
import pytest
from long_process import STUDY, processes, true_gloss, work

import finishlab as fl
from finishlab.model.trial_groups import shared_by

NEW = processes(60, 5)


def crew_of(table, size=2):
    """Return technicians who take turns within each panel."""
    return np.array([f"T{(i // 4) % size + 1}" for i in range(len(table))])


def fitted(label, sd, column, keep=True, members=2, seed=1, n=32):
    """Return the model and the truths of members, where `label` of each trial shifts ln roughness."""
    p = processes(n, seed)
    of = label(p, members)
    names = sorted(set(of))
    shift = dict(zip(names, np.linspace(-sd, sd, len(names)), strict=True))
    trials = work(p, seed, extra=np.array([shift[m] for m in of]))
    trials = trials[[c for c in trials.columns if "gloss_60" not in c]].assign(technician="T1")
    if keep:
        trials[column] = of
    return fl.fit(STUDY, trials), shift


def spread(model, name):
    return float(np.median(model.response("gloss_20").posterior.spread(name)))


def test_technicians_who_finish_unlike_each_other_are_told_from_their_patches():
    # They differ by 2 x 0.12 in ln roughness; patches by 0.035.
    told, _ = fitted(crew_of, 0.12, "technician")
    untold, _ = fitted(crew_of, 0.12, "technician", keep=False)
    assert 0.05 < spread(told, "technician") < 0.35
    assert spread(told, "patch") < 0.07
    # The wrong model, which does not know who worked, calls it the patches' luck.
    assert np.hypot(spread(untold, "patch"), spread(untold, "reading")) > 1.7 * np.hypot(
        spread(told, "patch"), spread(told, "reading")
    )


def test_the_next_job_falls_to_one_of_the_crew():
    model, shift = fitted(crew_of, 0.12, "technician")
    got = model.predict(NEW)
    rng = np.random.default_rng(3)
    inside = []
    for _ in range(200):
        who = rng.choice(list(shift.values()))
        luck = who + rng.normal(0, 0.04) + rng.normal(0, 0.035)
        y = 87 * np.exp(-((np.sqrt(-np.log(true_gloss(NEW)[:, -1] / 87)) * np.exp(luck)) ** 2))
        inside.append(((y >= got["gloss_20_job_low"]) & (y <= got["gloss_20_job_high"])).mean())
    # 90 % stated; one study's luck and 60 processes wander by some eight points.
    assert 0.82 <= np.mean(inside) <= 0.99


def test_the_crew_is_known_better_than_a_stranger_would_be():
    # Two technicians whose work is known: what the next job meets is their own difference about
    # their average, not a draw from all the technicians there might be.
    model, _ = fitted(crew_of, 0.12, "technician")
    posterior = model.response("gloss_20").posterior
    apart = np.sqrt(posterior.job_spread**2 - posterior.spread("panel") ** 2)
    assert np.median(apart) == pytest.approx(0.12, rel=0.3)


def test_one_technician_or_none_costs_nothing():
    p = processes(24, 2)
    table = work(p, 2)
    table = table[[c for c in table.columns if "gloss_60" not in c]]
    alone = fl.fit(STUDY, table).probability(NEW)
    for other in (table.drop(columns="technician"), table.assign(technician="T9", lot="L1", pad_lot="L4")):
        assert (fl.fit(STUDY, other).probability(NEW) == alone).all()


def test_a_lot_gets_used_up_so_the_next_job_may_meet_another():
    def lots(table, size):
        return np.array([f"L{i % 4 % size + 1}" for i in range(len(table))])  # by panel: 1 and 3, 2 and 4

    model, _ = fitted(lots, 0.15, "lot")
    posterior = model.response("gloss_20").posterior
    np.testing.assert_allclose(
        posterior.job_spread, np.hypot(posterior.spread("panel"), posterior.spread("lot")), rtol=1e-12
    )
    assert spread(model, "lot") > 0.03


def test_half_panels_are_set_up_anew_and_so_is_the_next_job():
    def halves(table, size):
        return np.array([f"{i % 4}{'ab'[(i // 4) % 2]}" for i in range(len(table))])

    p = processes(32, 4)
    of = halves(p, 2)
    luck = dict(zip(sorted(set(of)), np.random.default_rng(1).normal(0, 0.12, 8), strict=True))
    trials = work(p, 4, extra=np.array([luck[h] for h in of]))
    trials = trials[[c for c in trials.columns if "gloss_60" not in c]]
    plain = fl.fit(STUDY, trials)
    halved = fl.fit(STUDY, trials.assign(half_panel=[h[-1] for h in of]))
    assert spread(halved, "half panel") > 0.05
    assert spread(halved, "patch") < 0.7 * spread(plain, "patch")


def test_what_cannot_be_told_from_panels_or_patches_is_left_with_them():
    table = processes(8, 1).assign(panel=np.repeat([1, 2], 4))
    place = np.arange(8)

    def names(**columns):
        return [s.spread.name for s in shared_by(table.assign(**columns), place, 0.04)]

    assert names(technician=table["panel"]) == []  # one to a panel
    assert names(lot=range(8)) == []  # one to a patch
    assert names(half_panel=1) == []  # nobody halved
    assert names(technician=["T1", None] * 4) == []  # one name, else nobody
    assert names(technician=["T1", "T2"] * 4, lot=["L1", "L2", "L2", "L1"] * 2) == ["technician", "lot"]
    four = table.assign(panel=np.repeat([1, 2, 3, 4], 2))
    assert [s.spread.name for s in shared_by(four.assign(lot=np.repeat([1, 2], 4)), place, 0.04)] == ["lot"]

"""A recipe's parts: what is kept of them on disk, and what older files, which said less, are read as."""

import json
import math
from dataclasses import replace

import pytest
import stand_ins

from finishlab import Recipe
from finishlab.model.evidence import Evidence
from finishlab.solve.answer_parts import EarlierAnswer, TimedProcess


def whole() -> Recipe:
    """A recipe with every part: an equal, and an answer before it that found nothing."""
    equal = TimedProcess(stand_ins.settings(cut_passes=5), minutes=6.9, job_minutes=93.4, assurance=0.95)
    return replace(stand_ins.recipe().after(stand_ins.not_found()), equals=(equal,))


def kept(recipe: Recipe) -> dict:
    """What a file keeps of it."""
    return json.loads(json.dumps(recipe.to_dict(), allow_nan=False))


def test_a_file_keeps_the_parts_under_the_names_that_older_files_have() -> None:
    """The names are those that files had before the parts were classes, written out here, and whether limits are kept."""
    facts = kept(whole())
    assert set(facts["equals"][0]) == {"settings", "minutes", "job_minutes", "assurance", "keeps_limits"}
    assert set(facts["saves"]) == {
        *("minutes", "low", "high", "today_minutes", "today_assurance", "today_keeps_limits")
    }
    assert set(facts["job_saves"]) == set(facts["saves"])
    assert set(facts["limits"]["removed_um"]) == {
        *("at_most", "set_by", "assurance", "predicted", "worst", "probability")
    }
    assert set(facts["history"][0]) == {
        *("found", "process", "minutes", "job_minutes", "assurance", "trials", "panels", "fingerprint")
    }
    assert facts["evidence"]["ceiling_gloss_20"] == [88.1, 90.4]
    assert not {"ceilings", "earlier_trials", "worked", "read_after"} & set(facts["evidence"])
    assert facts["closest"] is None
    assert facts["forecast"] is None
    assert facts["goal"]["gloss_20"] == {"at_least": 84}
    assert [row["assurance"] for row in facts["rivals"]] == whole().rivals["assurance"].tolist()


def test_the_parts_come_back_as_they_were() -> None:
    for recipe in (whole(), stand_ins.not_found(), stand_ins.recipe(set_by=None)):
        again = Recipe.from_dict(kept(recipe))
        for name in ("closest", "saves", "limits", "evidence", "equals", "history", "job_saves"):
            assert getattr(again, name) == getattr(recipe, name), name
        assert again.text() == recipe.text()
        assert kept(Recipe.from_dict(kept(again))) == kept(again)


def test_a_file_of_before_that_says_less_is_read() -> None:
    """Minutes of the job were not kept at first, nor what the trials worked, nor versions."""
    facts = kept(whole())
    facts["closest"] = kept(stand_ins.not_found())["closest"]
    for part in (facts["closest"], facts["equals"][0], facts["history"][0]):
        del part["job_minutes"]
    del facts["closest"]["keeps_limits"], facts["saves"]["today_keeps_limits"]
    facts["evidence"] = {"trials": 41, "panels": 5, "model": "steps", "fingerprint": "3a7b"}
    del facts["limits"]["removed_um"]["probability"]
    facts["history"][0]["minutes"] = None
    recipe = Recipe.from_dict(facts)
    # Six sections of 6.9 and of 9.41 minutes, change-overs of 4 and 3, and three waits of 15.
    assert recipe.equals[0].job_minutes == pytest.approx(6 * 6.9 + 4 + 3 + 3 * 15)
    assert recipe.closest is not None
    assert recipe.closest.job_minutes == pytest.approx(6 * 9.41 + 4 + 3 + 3 * 15)
    assert recipe.evidence == Evidence(trials=41, panels=5, model="steps", fingerprint="3a7b")
    assert recipe.limits["removed_um"].probability is None
    assert recipe.closest.keeps_limits
    assert recipe.saves is not None
    assert recipe.saves.today_keeps_limits
    assert recipe.limits["removed_um"].worst == 6.07
    (answer,) = recipe.history
    assert isinstance(answer, EarlierAnswer)
    assert math.isnan(answer.minutes)
    assert answer.job_minutes is None

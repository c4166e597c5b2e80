"""The demo study: invented, made again byte for byte, and an answer comes out of it."""

import runpy
from pathlib import Path

import finishlab as fl

DEMO = Path(__file__).parent.parent / "datasets" / "van_panels"


def test_the_trials_are_made_again_byte_for_byte(tmp_path: Path) -> None:
    made = runpy.run_path(str(DEMO / "make.py"))["trials"]()
    again = fl.write_trials(made, tmp_path / "trials.csv")
    assert again.read_bytes() == (DEMO / "trials.csv").read_bytes()


def test_the_page_beside_it_says_that_it_is_invented_and_how_it_was_made() -> None:
    page = (DEMO / "README.md").read_text(encoding="utf-8")
    assert "Everything here is invented" in page
    assert "kind 7, seed 8, worked with seed 1" in page


def test_the_demo_holds_what_a_real_study_would() -> None:
    study = fl.Study.read(DEMO / "study.toml")
    trials = fl.read_trials(DEMO / "trials.csv", study)
    assert (trials["status"] == "spoiled").sum() == 1
    assert trials["burned_after_step"].notna().sum() == 1
    today = (trials[list(study.basis.names)] == [study.today[n] for n in study.basis.names]).all(axis=1)
    assert set(trials.loc[today, "panel"]) == set(trials["panel"])

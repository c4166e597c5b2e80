"""The command line from outside: answers, mistakes, exit codes, and files that change together.

The folder tried here is an invented shop of `PracticeBench` with a known truth, so the
answer can be held against it; what the truth is worth is tested in `test_bench.py`.
"""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from skips import ANYWHERE
from typer.testing import CliRunner

import finishlab as fl
from finishlab.cli import app, study_folder
from finishlab.cli.study_folder import StudyFolder
from finishlab.study.goal_words import goal_from_words

STUDY = """
title = "Practice doors (invented)"
pass_means = "one direction, 50 % overlap"

[[step]]
name = "sand"
grit = "P2000"
passes = 4
[[step]]
name = "cut"
pad = ["wool", "foam"]
product = "compound A"
passes = { lowest = 1, highest = 6 }
[[step]]
name = "polish"
pad = "soft foam"
product = "polish A"
passes = { lowest = 0, highest = 4 }

[goal]
gloss_20 = { at_least = 74 }
assurance = 0.90

[today]
cut_pad = "wool"
cut_passes = 6
polish_passes = 4

[reading]
after = ["sand", "cut", "polish"]
"""
RESULTS = {"answer.txt", "checks.csv", "considered.csv", "considered.png", "considered.svg"}


def bench() -> fl.PracticeBench:
    return fl.PracticeBench(kind=1, seed=3, study=fl.Study.from_toml(STUDY))


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study folder with 16 trials on 4 panels; tests work on copies."""
    folder = tmp_path_factory.mktemp("study")
    (folder / "study.toml").write_text(STUDY, encoding="utf-8")
    amounts = ((1, 0), (1, 4), (3, 2), (6, 0), (6, 4), (4, 3), (2, 1), (5, 2))
    sheet = pd.DataFrame(
        [(pad, cut, polish) for pad in ("wool", "foam") for cut, polish in amounts],
        columns=["cut_pad", "cut_passes", "polish_passes"],
    )
    sheet["panel"] = [1 + i % 4 for i in range(16)]
    sheet["patch"] = [1 + i // 4 for i in range(16)]
    bench().work(sheet, seed=1).to_csv(folder / "trials.csv", index=False)
    return folder


@pytest.fixture
def folder(worked: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(worked, tmp_path / "doors"))


@pytest.fixture(scope="module")
def answered(worked: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same folder after one answer; tests that change it work on copies."""
    folder = Path(shutil.copytree(worked, tmp_path_factory.mktemp("answered") / "doors"))
    result = run("shortest", folder)
    assert result.exit_code == 0, result.output
    return folder


def run(*words: object):
    return CliRunner().invoke(app, [str(w) for w in words])


def contents(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def edit(folder: Path, change) -> None:
    """Write the trial sheet anew after a change of its text cells."""
    path = folder / "trials.csv"
    table = pd.read_csv(path, dtype=object, keep_default_na=False)
    change(table).to_csv(path, index=False)


# --- the answer --------------------------------------------------------------------------


def test_the_sentence_comes_first_and_is_the_one_that_python_gives(folder: Path):
    result = run("shortest", folder)
    assert result.exit_code == 0
    study = fl.Study.read(folder / "study.toml")
    recipe = fl.shortest(fl.fit(study, fl.read_trials(folder / "trials.csv", study)))
    assert result.stdout.splitlines()[0] == recipe.text()


def drafted(folder: Path, number: str = "SP-001") -> dict:
    """Return the recipe of a draft."""
    text = (folder / "procedures" / f"{number}.draft.json").read_text(encoding="utf-8")
    return json.loads(text)["recipe"]


def test_the_answer_is_the_truly_shortest_process_of_this_bench(folder: Path):
    assert run("shortest", folder, "--draft").exit_code == 0
    kept = drafted(folder)
    best = bench().best()
    assert {k: kept["settings"][k] for k in best["settings"]} == best["settings"]
    # A goal nearer the ceiling must take longer: the check above would pass on any fixed answer.
    harder = bench().best(goal={"gloss_20": {"at_least": 78}})
    assert harder["job_minutes"] > best["job_minutes"]


def test_figure_table_and_checks_stand_in_the_folder(answered: Path):
    assert set(os.listdir(answered / "results")) == RESULTS
    assert not (answered / "procedures").exists()
    assert (answered / "results" / "considered.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert (answered / "results" / "considered.svg").read_text(encoding="utf-8").startswith("<svg")
    considered = pd.read_csv(answered / "results" / "considered.csv")
    assert considered["role"].tolist()[:2] == ["chosen", "today"]
    checks = pd.read_csv(answered / "results" / "checks.csv")
    assert len(checks) == 16  # one reading of the goal a trial
    text = (answered / "results" / "answer.txt").read_text(encoding="utf-8")
    assert "How the model held" in text
    assert "never says that a process is safe" in text


def test_cautions_and_the_files_written_follow_the_answer(folder: Path):
    result = run("shortest", folder)
    order = [
        result.stdout.index(words) for words in ("The next job", "chosen", "Cautions", "Written", "Next")
    ]
    assert order == sorted(order)
    for name in RESULTS:
        assert str(folder / "results" / name) in result.stdout
    assert "No procedure was written. For a draft of one add --draft." in result.stdout
    assert result.stderr == ""


# --- asking is not issuing -----------------------------------------------------------------


def test_asking_again_writes_the_same_answer_and_no_procedure(answered: Path, tmp_path: Path):
    folder = Path(shutil.copytree(answered, tmp_path / "again"))
    before = contents(folder)
    # The study's own goal and assurance, typed, are its own question.
    own = ("--goal", "gloss_20 at least 74", "--assurance", "0.9")
    for words in ((), own):
        assert run("shortest", folder, *words).exit_code == 0
        assert contents(folder) == before  # byte for byte


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (("--goal", "gloss_20 at least 78"), 0),
        (("--assurance", "0.95"), 0),
        (("--goal", "gloss_20 at least 99"), 3),
    ],
)
def test_another_question_writes_nothing(answered: Path, tmp_path: Path, words, code):
    for place in (answered, None):  # with an answer there, and without one
        folder = tmp_path / ("answered" if place else "new")
        shutil.copytree(answered, folder)
        if not place:
            shutil.rmtree(folder / "results")
        before = contents(folder)
        result = run("shortest", folder, *words)
        assert result.exit_code == code, result.output
        assert contents(folder) == before
        assert [p.name for p in folder.iterdir() if p.name == "results"] == (["results"] if place else [])
        assert "Written" not in result.stdout
        assert "This answer was not kept: " in result.stdout
        assert "whose answer stays as it was. To keep this one beside it add --keep NAME." in result.stdout
        assert ("add --draft" in result.stdout) == (code == 0)


def test_an_answer_to_another_question_is_kept_by_name(answered: Path, tmp_path: Path):
    folder = Path(shutil.copytree(answered, tmp_path / "kept"))
    before = contents(folder)
    result = run("shortest", folder, "--goal", "gloss_20 at least 78", "--keep", "brighter")
    assert result.exit_code == 0, result.output
    after = contents(folder)
    assert {name: after[name] for name in before} == before
    assert set(os.listdir(folder / "results" / "brighter")) == RESULTS
    assert str(folder / "results" / "brighter" / "answer.txt") in result.stdout
    text = (folder / "results" / "brighter" / "answer.txt").read_text(encoding="utf-8")
    assert "20° gloss at least 78 GU" in " ".join(text.split())
    for name in ("../out", "a b", "", "x" * 41):
        result = run("shortest", folder, "--keep", name)
        assert result.exit_code == 2
        assert "cannot name a folder in results" in result.stderr
    assert contents(folder) == after


def test_a_draft_takes_the_next_number_and_says_how_it_is_issued(answered: Path, tmp_path: Path):
    folder = Path(shutil.copytree(answered, tmp_path / "again"))
    before = contents(folder)
    for number, words in (("SP-001", ()), ("SP-002", ("--goal", "gloss_20 at least 78"))):
        result = run("shortest", folder, "--draft", *words)
        assert result.exit_code == 0, result.output
        assert str(folder / "procedures" / f"{number}.draft.html") in result.stdout
        assert f"finishlab issue {folder} --number {number} --by OWNER" in result.stdout
    after = contents(folder)
    assert {name: after[name] for name in before} == before
    assert set(os.listdir(folder / "procedures")) == {
        f"{number}.draft.{ending}" for number in ("SP-001", "SP-002") for ending in ("html", "json")
    }
    assert "No procedure is in force" in fl.procedure_register(folder / "procedures").text()


def test_a_number_once_used_is_not_used_again(tmp_path: Path):
    (tmp_path / "procedures").mkdir()
    for name in ("SP-001.html", "sp-007.json", "QP-100.html", "notes.txt"):
        (tmp_path / "procedures" / name).touch()
    assert StudyFolder.at(tmp_path).next_number() == "SP-008"


def test_a_higher_goal_or_assurance_never_gives_a_shorter_process(folder: Path):
    minutes = []
    for words in (
        (),
        ("--goal", "gloss_20 at least 78"),
        ("--goal", "gloss_20 at least 78", "--assurance", "0.97"),
    ):
        number = f"T-{len(minutes)}"
        assert run("shortest", folder, "--draft", "--number", number, *words).exit_code == 0
        minutes.append(drafted(folder, number)["job_minutes"])
    assert minutes == sorted(minutes)
    assert minutes[1] > minutes[0]


def test_a_workbook_gives_the_same_answer_as_the_csv(answered: Path, folder: Path):
    trials = fl.read_trials(folder / "trials.csv", fl.Study.from_toml(STUDY))
    fl.write_trials(trials, folder / "Trials.xlsx")  # capitals in the name do not matter
    (folder / "trials.csv").unlink()
    assert run("shortest", folder).exit_code == 0
    said = [
        (f / "results" / "answer.txt").read_text(encoding="utf-8").split("\nFrom\n")[0]
        for f in (answered, folder)
    ]
    assert said[0] == said[1]


def test_names_of_a_shop_are_printed_as_typed(folder: Path):
    hostile = "[bold]wool[/bold] :car: {x}"
    text = (folder / "study.toml").read_text(encoding="utf-8").replace('"wool"', json.dumps(hostile))
    (folder / "study.toml").write_text(text, encoding="utf-8")
    edit(folder, lambda t: t.replace({"cut_pad": {"wool": hostile}}))
    result = run("shortest", folder)
    assert result.exit_code == 0, result.output
    assert hostile in result.stdout.splitlines()[0]


# --- cannot tell yet -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "begin", "said"),
    [
        (("--goal", "gloss_20 at least 99"), "No studied process reaches", "lies above the ceiling of this"),
        (
            ("--goal", "gloss_20 at least 79", "--assurance", "0.9999"),
            "Cannot name a process yet",
            "Cannot tell yet",
        ),
    ],
    ids=["above the ceiling", "surer than the spread of panels allows"],
)
def test_what_no_process_reaches_is_an_answer_with_code_3_and_no_procedure(folder: Path, words, begin, said):
    text = (folder / "study.toml").read_text(encoding="utf-8")
    asked = dict(zip(words[::2], words[1::2], strict=True))
    text = text.replace("at_least = 74", f"at_least = {asked['--goal'].split()[-1]}")
    text = text.replace("assurance = 0.90", f"assurance = {asked.get('--assurance', 0.9)}")
    (folder / "study.toml").write_text(text, encoding="utf-8")
    result = run("shortest", folder, "--draft", *words)
    assert result.exit_code == 3, result.output
    assert result.stdout.startswith(begin)
    assert said in result.stdout.splitlines()[0]
    assert set(os.listdir(folder / "results")) == RESULTS
    assert not (folder / "procedures").exists()


def test_trials_on_one_panel_are_explained_and_not_promised(folder: Path) -> None:
    edit(folder, lambda t: t.assign(panel="1", patch=[str(i) for i in range(1, 17)]))
    result = run("shortest", folder)
    assert result.exit_code == 3, result.output
    assert "Cannot tell yet: all trials are on one panel" in " ".join(result.stdout.split())


# --- mistakes of the caller --------------------------------------------------------------------


def headings_only(folder: Path) -> None:
    edit(folder, lambda t: t.iloc[:0])


def one_trial(folder: Path) -> None:
    edit(folder, lambda t: t.iloc[:1])


def misspelt_column(folder: Path) -> None:
    edit(folder, lambda t: t.rename(columns={"cut_passes": "cut_pases"}))


def empty_sheet(folder: Path) -> None:
    (folder / "trials.csv").write_text("")


def no_sheet(folder: Path) -> None:
    (folder / "trials.csv").unlink()


def two_sheets(folder: Path) -> None:
    (folder / "trials.xlsx").write_bytes(b"")


def no_study(folder: Path) -> None:
    (folder / "study.toml").unlink()


def nothing(folder: Path) -> None:
    pass


@pytest.mark.parametrize(
    ("spoil", "words", "said"),
    [
        (empty_sheet, (), ["trials.csv is empty."]),
        (headings_only, (), ["there are headings but no trials. Write one row for each trial."]),
        (one_trial, (), ["only 1 trial is done; at least 6 are needed"]),
        (misspelt_column, (), ["cut_passes", "cut_pases"]),
        (no_sheet, (), ["there is no trial sheet in", "trials.csv or trials.xlsx"]),
        (two_sheets, (), ["has trials.csv and trials.xlsx; only one can be the trial sheet"]),
        (no_study, (), ["there is no study file study.toml in"]),
        (
            nothing,
            ("--goal", "glos_20 at least 84"),
            ["'glos_20', which is not a response. Did you mean 'gloss_20'?"],
        ),
        (nothing, ("--goal", "gloss_20 > 84"), ["cannot be read. Write it as 'gloss_20 at least 84'"]),
        (nothing, ("--goal", "haze at most 18"), ["haze needs [reading] haze_method"]),
        (nothing, ("--goal", "gloss_20 at least 840"), ["gloss_20: 840 cannot be; it runs from 0 to 200 GU"]),
        (nothing, ("--assurance", "90"), ["assurance is 90.0", "Write 90 % as 0.9"]),
        (nothing, ("--draft", "--number", "A/B"), ["'/', which cannot stand in a file name"]),
        (nothing, ("--number", "SP-9"), ["--number SP-9 given without --draft", "Add --draft"]),
    ],
    ids=lambda value: value.__name__ if callable(value) else None,
)
def test_mistakes_are_sentences_with_code_2_and_leave_nothing_behind(folder: Path, spoil, words, said):
    spoil(folder)
    before = contents(folder)
    result = run("shortest", folder, *words)
    assert result.exit_code == 2, result.output
    for sentence in said:
        assert sentence in result.stderr
    assert result.stdout == ""
    assert contents(folder) == before
    assert sorted(p.name for p in folder.iterdir()) == sorted({Path(name).parts[0] for name in before})


def test_five_mistakes_of_a_study_file_are_all_said(folder: Path):
    text = STUDY.replace("pass_means", "pass_mean").replace("at_least = 74", "atleast = 74")
    text = text.replace("assurance = 0.90", "assurance = 90").replace("cut_passes = 6", "cut_passes = 9")
    text = text.replace('after = ["sand", ', 'after = ["sanding", ')
    (folder / "study.toml").write_text(text, encoding="utf-8")
    for command in ("shortest", "check"):
        result = run(command, folder)
        assert result.exit_code == 2
        # The misspelt word counts twice: it is unknown, and the one meant is missing.
        assert "The study file has 6 mistakes." in result.stderr
        for word in ("pass_mean", "atleast", "assurance is 90", "cut_passes = 9", "sanding"):
            assert word in result.stderr


def test_a_failing_run_leaves_the_older_answer_as_it_was(answered: Path, tmp_path: Path):
    folder = Path(shutil.copytree(answered, tmp_path / "later"))
    misspelt_column(folder)
    before = contents(folder)
    assert run("shortest", folder).exit_code == 2
    assert contents(folder) == before


def drafted_recipe(folder: Path) -> fl.Recipe:
    study = fl.Study.read(folder / "study.toml")
    return fl.shortest(fl.fit(study, fl.read_trials(folder / "trials.csv", study)))


def test_a_number_that_is_taken_leaves_results_and_procedures_as_they_were(answered: Path, tmp_path: Path):
    folder = Path(shutil.copytree(answered, tmp_path / "later"))
    fl.write_procedure(drafted_recipe(folder), number="SP-001", folder=folder / "procedures")
    edit(folder, lambda t: t.iloc[:-1])  # another answer than the one kept
    for by in (None, "owner"):
        if by:
            fl.issue_procedure(folder / "procedures", "SP-001", by=by)
        before = contents(folder)
        result = run("shortest", folder, "--draft", "--number", "SP-001")
        assert result.exit_code == 2
        assert "procedure SP-001" in result.stderr
        assert "is there already" in result.stderr
        assert contents(folder) == before


def test_a_disk_that_fills_up_midway_leaves_every_older_file_whole(
    answered: Path, tmp_path: Path, monkeypatch
):
    from finishlab.records.sheets import sheet_files

    folder = Path(shutil.copytree(answered, tmp_path / "later"))
    before = contents(folder)
    whole, left = sheet_files.write_whole, [2]  # two files still fit

    def filling_up(path: Path, data: bytes) -> None:
        if path.name == "considered.png" and data != before.get(str(Path("results", path.name))):
            raise fl.RecordsError(f"{path.name} was not written (no space left).")
        left[0] -= 1
        whole(path, data)

    edit(folder, lambda t: t.iloc[:-1])  # another answer than the one kept
    before = contents(folder)
    monkeypatch.setattr(sheet_files, "write_whole", filling_up)
    result = run("shortest", folder)
    assert result.exit_code == 2
    assert "considered.png was not written" in result.stderr
    assert left[0] < 2  # something had been written before
    assert contents(folder) == before


def test_a_file_where_the_results_should_go_is_a_mistake_not_a_crash(folder: Path):
    (folder / "results").write_text("mine")
    result = run("shortest", folder, "--draft")
    assert result.exit_code == 2
    assert "the results cannot be written" in result.stderr
    assert (folder / "results").read_text() == "mine"
    assert not (folder / "procedures").exists()


def test_a_folder_closed_to_the_caller_is_a_mistake(folder: Path, monkeypatch):
    def closed(self):
        raise PermissionError(13, "Permission denied", str(self.path))

    monkeypatch.setattr(StudyFolder, "sheet", closed)
    result = run("check", folder)
    assert result.exit_code == 2
    assert f"{folder} is closed to you (Permission denied)" in result.stderr


def test_an_unexpected_error_is_not_hidden(folder: Path, monkeypatch):
    def broken(self):
        raise ZeroDivisionError("a fault of ours")

    monkeypatch.setattr(StudyFolder, "study", broken)
    result = run("check", folder)
    assert isinstance(result.exception, ZeroDivisionError)
    assert result.exit_code == 1


# --- goals in words --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("line", "goal"),
    [
        ("gloss_20 at least 84", {"gloss_20": {"at_least": 84.0}}),
        ("  Gloss_20   AT LEAST 84.5 GU ", {"gloss_20": {"at_least": 84.5}}),
        ("haze at_most 18", {"haze": {"at_most": 18.0}}),
        ("gloss_60 within 80 and 86", {"gloss_60": {"within": [80.0, 86.0]}}),
        ("gloss_60 within 80 to 86 gu", {"gloss_60": {"within": [80.0, 86.0]}}),
        ("faults at most 0", {"faults": {"at_most": 0.0}}),
    ],
)
def test_a_goal_in_words_is_the_mapping_of_the_study_file(line, goal):
    assert goal_from_words([line]) == goal
    study = fl.Study.from_toml(STUDY + 'haze_method = "ISO 13803"\n')
    assert {k: c.to_dict() for k, c in study.asked(goal_from_words([line]))[0].items()} == goal


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (["gloss_20 at least"], "cannot be read"),
        (["gloss_20 at least 84 please do"], "cannot be read"),
        (["gloss_20 at least 84,5"], "has '84,5'. Write a decimal point, as 84.5."),
        (["gloss20 at least 84"], "'gloss20', which is not a response. Did you mean 'gloss_20'?"),
        (["gloss_20 at least 84 %"], "ends in '%', but gloss_20 is given in GU. Leave the unit off."),
        (["haze at most 18 GU"], "ends in 'GU', but haze has no unit."),
        (["gloss_20 at least 80", "gloss_20 at most 86"], "asked for twice"),
        ([""], "the goal '' cannot be read"),
    ],
)
def test_a_goal_that_cannot_be_read_says_what_to_write(lines, said):
    with pytest.raises(fl.StudyError) as error:
        goal_from_words(lines)
    assert said in str(error.value)


def test_every_goal_that_cannot_be_read_is_said_at_once():
    with pytest.raises(fl.StudyError) as error:
        goal_from_words(["gloss_20 over 84", "haze at most 18", "dirt at most 2"])
    assert len(error.value.mistakes) == 2


# --- check and start ---------------------------------------------------------------------------


def test_check_says_what_is_there(folder: Path):
    def later(t: pd.DataFrame) -> pd.DataFrame:
        t.loc[3, ["status", "reason"]] = ["spoiled", "pad dropped"]
        t.loc[5, "status"] = "planned"
        t.loc[5, "gloss_20":"minutes"] = ""
        return t

    edit(folder, later)
    result = run("check", folder)
    assert result.exit_code == 0, result.output
    assert result.stdout.startswith(
        "Practice doors (invented): 20° gloss at least 74 GU, with 90 % assurance.\n"
        "60 processes of 3 factors:\n"  # 2 pads x 6 x 5, counted by hand
        "  cut pad: wool, foam\n"
        "  cut passes: 1 to 6 passes\n"
        "  polish passes: 0 to 4 passes\n"
        "16 trials on 4 panels: 14 done, "
    )
    assert "1 spoiled" in result.stdout
    assert "1 planned" in result.stdout
    assert "The goal is gloss alone" in result.stdout
    assert not (folder / "results").exists()


def test_check_counts_burn_throughs(folder: Path):
    def burned(t: pd.DataFrame) -> pd.DataFrame:
        after_cut = [
            c
            for c in t.columns
            if c.startswith(("gloss", "haze", "faults", "film_after", "removed", "polish_m"))
        ]
        t.loc[14, after_cut] = ""
        t.loc[14, "burned_after_step"] = "cut"
        return t

    edit(folder, burned)
    result = run("check", folder)
    assert result.exit_code == 0, result.output
    assert "16 done, 1 burned through." in result.stdout


def test_check_takes_a_folder_without_trials_and_says_where_they_go(folder: Path):
    no_sheet(folder)
    result = run("check", folder)
    assert result.exit_code == 0
    assert "No trials yet. Log them in trials.csv or trials.xlsx, one row a trial." in result.stdout


def test_check_lists_every_mistake_of_the_sheet(folder: Path):
    def spoil(t: pd.DataFrame) -> pd.DataFrame:
        t.loc[0, "cut_pad"] = "felt"
        t.loc[1, "minutes"] = "ten"
        t.loc[2, "panel"] = ""
        return t

    edit(folder, spoil)
    result = run("check", folder)
    assert result.exit_code == 2
    for place in ("row 2, cut_pad", "row 3, minutes", "row 4, panel"):
        assert place in result.stderr


def test_start_makes_a_folder_on_which_the_other_commands_work(tmp_path: Path):
    folder = tmp_path / "my doors"
    result = run("start", folder, "--demo")
    assert result.exit_code == 0, result.output
    assert f'finishlab shortest "{folder}"' in result.stdout
    made, source = contents(folder), contents(study_folder.shipped("datasets") / "van_panels")
    # The trials stand in the book; what makes them again stays with the data set.
    assert set(made) ^ set(source) == {"trials.sqlite", "trials.csv", "make.py"}
    assert all(made[name] == source[name] for name in set(made) & set(source))
    assert run("check", folder).exit_code == 0


def test_start_touches_nothing_that_is_there(folder: Path, tmp_path: Path):
    before = contents(folder)
    result = run("start", folder)
    assert result.exit_code == 2
    assert f"{folder} is there already and was not touched." in result.stderr
    assert f"or go on with this one: finishlab shortest {folder}" in result.stderr
    assert contents(folder) == before
    (tmp_path / "empty").mkdir()
    assert run("start", tmp_path / "empty", "--demo").exit_code == 0


def test_a_path_that_is_no_study_folder_is_answered_with_what_to_do(folder: Path):
    gone = run("check", folder / "gone")
    assert gone.exit_code == 2
    assert f"there is no folder {folder / 'gone'}." in gone.stderr
    assert "finishlab start" in gone.stderr
    a_file = run("shortest", folder / "study.toml")
    assert a_file.exit_code == 2
    assert f"is a file. Give the study's folder, {folder}." in a_file.stderr


# --- the program as a person starts it -----------------------------------------------------------


def program(*words: object, **environment: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-m", "finishlab", *map(str, words)],
        capture_output=True,
        env={**os.environ, **environment},
        check=False,
    )


def test_the_program_answers_in_utf_8_whatever_the_console_says(folder: Path):
    place = folder.rename(folder.with_name("Türen 2K µ"))
    result = program("shortest", place, PYTHONIOENCODING="cp1252", PYTHONUTF8="0")
    assert result.returncode == 0, result.stderr.decode()
    said = result.stdout.decode("utf-8")
    assert "20° gloss at least 74 GU" in said
    assert str(place / "results" / "answer.txt") in said
    assert "──" in said  # a line that cp1252 does not have
    assert result.stderr == b""  # no bar where nobody watches


def test_mistakes_show_no_traceback_and_code_2(folder: Path):
    misspelt_column(folder)
    for words in (
        ("shortest", folder),
        ("shortest",),
        ("shorten", folder),
        ("shortest", folder, "--assurance", "x"),
    ):
        result = program(*words)
        assert result.returncode == 2, words
        assert b"Traceback" not in result.stderr
        assert result.stderr


def test_help_is_in_plain_words_with_examples_and_cautions():
    for words in ((), ("shortest",)):
        said = " ".join(run(*words, "--help").stdout.split())
        assert "Example" in said
        assert "finishlab shortest demo" in said
        assert "safety data sheets, the coating maker's data sheet, local codes and licensed practice" in said
    for command in ("start", "check"):
        assert f"finishlab {command} demo" in run(command, "--help").stdout
    for command in ("plan", "record", "import", "export", "backup"):
        assert f"finishlab {command} doors" in run(command, "--help").stdout


def test_help_and_import_load_no_heavy_library():
    heavy = (
        "numpy",
        "pandas",
        "scipy",
        "matplotlib",
        "statsmodels",
        "pingouin",
        "seaborn",
        "openpyxl",
        "jinja2",
        "sqlalchemy",
        "IPython",
    )
    helps = [["-m", "finishlab", *words, "--help"] for words in ((), ("record",), ("import",), ("start",))]
    for words in (*helps, ["-c", "import finishlab"]):
        result = subprocess.run(
            [sys.executable, "-X", "importtime", *words], capture_output=True, text=True, check=True
        )
        loaded = {line.rsplit("|", 1)[-1].strip().split(".")[0] for line in result.stderr.splitlines()}
        assert "finishlab" in loaded
        assert loaded.isdisjoint(heavy)


def test_the_answer_waits_for_no_library_that_only_meters_and_jobs_need(tmp_path):
    # The demo has every kind of goal: gloss, haze and faults.
    script = "import sys; from finishlab.cli import main\ntry:\n    main()\nfinally:\n    print(sorted(sys.modules), file=sys.stderr)"
    for words in (("start", "demo"), ("shortest", "demo")):
        result = subprocess.run(
            [sys.executable, "-c", script, *words], cwd=tmp_path, capture_output=True, text=True, check=True
        )
    assert "'scipy.stats'" in result.stderr
    for name in ("statsmodels", "pingouin", "seaborn"):
        assert f"'{name}'" not in result.stderr


@pytest.mark.skipif(sys.platform == "win32", reason=ANYWHERE["terminal"])
def test_a_bar_comes_up_where_a_person_watches_slow_work():
    import pty

    script = (
        "import time\nfrom finishlab import progress\nprogress.PATIENCE = {patience}\n"
        "with progress.bar(2) as stage:\n    stage('fitting [x]')\n    time.sleep(0.6)\n    stage('writing')\n"
    )
    seen = []
    for patience in (0.1, 5.0):
        ours, theirs = pty.openpty()
        subprocess.run(
            [sys.executable, "-c", script.format(patience=patience)],
            stderr=theirs,
            env={**os.environ, "TERM": "xterm", "COLUMNS": "80"},
            check=True,
        )
        os.close(theirs)
        shown = b""
        while True:
            try:
                part = os.read(ours, 65536)
            except OSError:  # the other end is closed
                break
            if not part:
                break
            shown += part
        os.close(ours)
        seen.append(shown.decode())
    assert "fitting [x]" in seen[0]
    assert "fitting" not in seen[1]  # quick work shows nothing

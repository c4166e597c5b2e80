"""`finishlab follow-up`: the next round of trials, or that no further one is worth it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from finishlab.cli import screen
from finishlab.cli.options import CANNOT_TELL, Assurance, Folder, Goal, asked, whole
from finishlab.cli.study_folder import StudyFolder
from finishlab.cli.trial_commands import kept_round, planned_text
from finishlab.errors import PlanError

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study


def follow_up(
    folder: Folder,
    trials: Annotated[
        int, typer.Option(parser=whole, metavar="4", help="How many trials to work.", show_default=False)
    ] = 4,
    budget: Annotated[
        float | None,
        typer.Option(metavar="120", help="Minutes that the bench can still give; the round is cut to them."),
    ] = None,
    goal: Goal = None,
    assurance: Assurance = None,
    seed: Annotated[
        int,
        typer.Option(
            parser=whole,
            metavar="8",
            help="Of the order of work; the same number gives the same order.",
            show_default=False,
        ),
    ] = 8,
    anyway: Annotated[
        bool,
        typer.Option(
            "--anyway", help="Plan a round though it is not worth it, or though planned trials are waiting."
        ),
    ] = False,
) -> None:
    """Plan the next few trials after an answer.

    Two of them repeat the process chosen on a new panel; each other is the one that may be
    expected to save most minutes. Says what each is for, what the round may be expected to
    save, and when to stop: then nothing is planned. Puts the trials into the record book (if
    the folder has no trial sheet), and writes into run_sheets/:

    \b
      round_2.xlsx          to fill in; finishlab import takes it back
      round_2.html          to print and write on
      round_2_labels.html   labels for the patches

    Exit code 0 with a round or where the choice stands, 3 where no studied process can be
    made sure enough by more trials.

    \b
    Examples:
      finishlab follow-up doors
      finishlab follow-up doors --trials 6 --budget 120

    Cautions: a plan says what to try, not that it is safe. Follow the safety data sheets, the
    coating maker's data sheet, local codes and licensed practice.
    """
    from finishlab import progress
    from finishlab.model import fit
    from finishlab.solve import follow_up as plan_round

    place = StudyFolder.at(folder)
    study = place.study()
    question = asked(study, goal, assurance)
    with progress.bar(3) as stage:
        stage("reading the trials")
        worked = place.trials(study)
        _refuse_waiting(worked, place, anyway)
        stage("fitting")
        model = fit(study, worked)
        stage("choosing the trials")
        sheet = plan_round(model, trials=trials, budget_minutes=budget, seed=seed, **question)
    console = screen.console()
    screen.say(console, sheet.attrs["says"])
    if sheet.attrs["stop"] and not anyway:
        screen.say(console, "Nothing was planned; --anyway plans a round all the same.")
        if sheet.attrs["cautions"]:
            raise typer.Exit(CANNOT_TELL)
        return
    written = kept_round(place, study, sheet, worked)
    console.print()
    screen.say(console, planned_text(sheet))
    screen.listed(console, "In this order", _what_for(study, sheet))
    screen.listed(console, "What it takes", _cost(sheet, budget))
    screen.listed(console, "Cautions", [*sheet.attrs["cautions"], screen.CAUTION])
    screen.listed(console, "Written", map(str, written))
    if "trial" in sheet:
        console.print()
        screen.say(console, f"Next: finishlab record {screen.quoted(folder)}")


def _refuse_waiting(worked: pd.DataFrame, place: StudyFolder, anyway: bool) -> None:
    """Refuse to plan a round while an earlier one waits: it would be chosen without its readings."""
    from finishlab.words import show

    waiting = worked[worked["status"].isin(["planned", "started"])]
    if len(waiting) and not anyway:
        panels = list(dict.fromkeys(waiting["panel"].astype(str)))
        raise PlanError(
            f"planned and not done yet: {show.counted(len(waiting), 'trial')} on {show.counted(len(panels), 'panel')} ({show.listed(panels)}). "
            f"Work them first (finishlab record {place.path}), so that the next round is chosen by their readings; --anyway plans it now."
        )


def _what_for(study: Study, sheet: pd.DataFrame) -> list[str]:
    """Say of each trial, in run order, its process and what it is for."""
    from finishlab.words import show

    names = list(study.basis.names)
    return [
        f"{show.process_text({n: row[n] for n in names}, study)}: {row['why']}"
        for row in sheet.to_dict("records")
    ]


def _cost(sheet: pd.DataFrame, budget: float | None) -> list[str]:
    """Say the minutes of the round, and how many such rounds pay."""
    rounds = sheet.attrs["rounds"]
    lines = [f"about {sheet.attrs['minutes']:.0f} minutes at the bench for one person, waits used"]
    if rounds:
        within = "" if budget is None else " and fit into the budget"
        lines.append(f"rounds like this one that pay by what is known now{within}: {rounds}")
    return lines

"""`finishlab start`: a new study folder, from a few answers or as the demo."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from finishlab.cli import screen, study_folder
from finishlab.cli.dialog import Dialog, Ended
from finishlab.cli.options import Answers
from finishlab.errors import FinishlabError

if TYPE_CHECKING:
    from finishlab.study import Setting, Study
    from finishlab.study.first_file import NewStudy

#: A folder of this name is always the demo.
DEMO = "demo"
_PASS = "one direction, 50 % overlap"
#: Units that may stand behind a number, and what one of them is worth in the file's own.
_SHARE = {"%": 0.01}
_MINUTES = {"min": 1.0, "minute": 1.0, "minutes": 1.0}
_WITH_UNIT = re.compile(r"([+-]?[0-9]+(?:[.,][0-9]+)?|[.,][0-9]+)\s*(\D*)")


def start(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A new folder.", show_default=False)],
    demo: Annotated[
        bool, typer.Option("--demo", help="Make the demo study, whatever the folder is called; ask nothing.")
    ] = False,
    answers: Answers = None,
) -> None:
    """Make a new study folder.

    Asks what is studied: title, steps and their settings, goal, film limit, today's process.
    Writes study.toml with comments, an empty record book and the notebooks. Answers may also
    come from a file or a pipe, one a line. Stop at any time (Ctrl+C): the same command goes
    on where it stopped.

    A folder named demo becomes the demo study, without a question; --demo makes it under
    another name. Its trials are invented, to learn on.

    \b
    Examples:
      finishlab start demo
      finishlab start doors
      finishlab start doors --answers answers.txt
    """
    study_folder.refuse_taken(folder)
    if demo or folder.name.casefold() == DEMO:
        made = study_folder.start_demo(folder)
        typer.echo(f"{_ready(made)}. Its trials are invented, to learn on; one round is still to be logged.")
        typer.echo(f"Next: finishlab shortest {screen.quoted(folder)}")
        return
    from finishlab.study.first_file import study_text
    from finishlab.words import show

    draft = folder.with_name(f"{folder.name}_answers.txt")
    dialog = Dialog(answers, draft=draft)
    if dialog.kept:
        dialog.say(
            f"Going on where you stopped: {draft} has {show.counted(dialog.kept, 'answer')}. "
            "To begin anew, stop (Ctrl+C) and delete that file."
        )
    try:
        text = study_text(_asked(dialog))
    except Ended as error:
        go_on = _kept(dialog, folder) or (
            "Nothing was made. Answer at a terminal, give all answers in a file (--answers), or make the demo study "
            f"there: finishlab start {screen.quoted(folder)} --demo"
        )
        raise FinishlabError(f"{error} {go_on}") from None
    except KeyboardInterrupt:
        typer.echo(f"\nStopped. {_kept(dialog, folder) or 'Nothing was made.'}")
        raise typer.Exit(0) from None
    made = study_folder.start_study(folder, text)
    if dialog.draft is not None:
        with suppress(OSError):
            dialog.draft.unlink(missing_ok=True)
    typer.echo(f"\n{_ready(made)}. Look through study.toml: comments there say what else it can hold.")
    typer.echo(screen.CAUTION)
    typer.echo(f"Next: finishlab plan {screen.quoted(folder)} --trials 24 --panels 4")


def _ready(made: study_folder.StudyFolder) -> str:
    return f"{made.path} is ready: {', '.join(sorted(p.name for p in made.path.iterdir()))}"


def _kept(dialog: Dialog, folder: Path) -> str:
    """Say that answers are kept and how to go on; empty where none are."""
    from finishlab.words import show

    if dialog.draft is None or not dialog.draft.exists():
        return ""
    return (
        f"No folder was made yet. {show.counted(dialog.kept, 'answer')} kept in {dialog.draft}. "
        f"Go on: finishlab start {screen.quoted(folder)}"
    )


# --- the questions -------------------------------------------------------------------------


def _asked(dialog: Dialog) -> NewStudy:
    """Ask for all that a first study file needs; each answer is checked as the file would be."""
    from finishlab.study.first_file import NewStudy

    title = dialog.ask("What is studied? (as: Doors, 2K clear)", _some)
    steps = _steps(dialog)
    means = dialog.ask(f"What is one pass? (Enter: {_PASS})", lambda text: text or _PASS)
    new = _goal(dialog, NewStudy(title, means, steps))
    certain = "How sure must the next job be of that? (90 % is nine jobs in ten; Enter: 90 %)"
    new = dialog.ask(certain, lambda text: _with(new, assurance=_number(text or "90 %", _SHARE)))
    new = _limit(dialog, new)
    if dialog.yes("Is there a process in use now, to compare with?"):
        new = _today(dialog, new)
    new = dialog.ask(
        "How many sections does a job have? A section is worked as one patch. (Enter: 1)",
        lambda text: _with(new, sections=_number(text or "1")),
    )
    new = dialog.ask(
        "How many patches has a test panel? (Enter: 8)", lambda text: _with(new, patches=_number(text or "8"))
    )
    new = dialog.ask(
        "At how many spots is a patch read? (Enter: 3)", lambda text: _with(new, spots=_number(text or "3"))
    )
    return dialog.ask(
        "Minutes to wait after the work before reading? (Enter: 15)",
        lambda text: _with(new, wait_minutes=_number(text or "15", _MINUTES)),
    )


def _some(text: str) -> str:
    if not text:
        raise FinishlabError("Empty. Type a few words.")
    return text


def _number(text: str, units: Mapping[str, float] | None = None) -> int | float:
    """Return a number as typed, with a unit or without; in the unit that the study file has."""
    found = _WITH_UNIT.fullmatch(text)
    unit = found[2].strip().casefold() if found else ""
    if found is None or (unit and unit not in (units or {})):
        known = f" Write a number, or one with {' or '.join(units)}." if units else " Write a number."
        raise FinishlabError(f"'{text}' cannot be read.{known}")
    value = float(found[1].replace(",", "."))
    if unit:
        # Twelve digits drop the dust of binary fractions: 99.9 % is 0.999.
        value = float(f"{value * (units or {})[unit]:.12g}")
    return int(value) if value.is_integer() else value


def _with(new: NewStudy, **changes: Any) -> NewStudy:
    """Return the study with further answers, if a study file with them would be right."""
    changed = replace(new, **changes)
    _study(changed)
    return changed


def _study(new: NewStudy) -> Study:
    from finishlab.study import Study
    from finishlab.study.first_file import study_text

    try:
        return Study.from_toml(study_text(new))
    except UnicodeEncodeError:
        raise FinishlabError("A text has a broken letter. Type it again.") from None


def _steps(dialog: Dialog) -> dict[str, dict[str, Any]]:
    from finishlab.study.file_mistakes import Mistakes
    from finishlab.study.file_steps import read_steps
    from finishlab.study.first_file import word

    def names(text: str) -> list[str]:
        found = [word(name) for name in text.split(",") if name.strip()]
        if not found:
            raise FinishlabError("Type the steps, separated by commas.")
        mistakes = Mistakes("")
        read_steps([{"name": name} for name in found], mistakes)
        if mistakes.found:
            raise FinishlabError(mistakes.found)
        return found

    while True:
        found = dialog.ask("Which steps has the process, in order? (as: sand, cut, polish)", names)
        dialog.say("Now the settings of each step, one a line. A single value is held; several are compared:")
        dialog.say("  grit = P1500, P2000, P3000     pad = wool     passes = 1 to 8")
        dialog.say("May a step be left out? Then its passes begin at 0: passes = 0 to 6")
        steps = {step: _settings(dialog, step) | _changeover(dialog, step) for step in found}
        if any(isinstance(value, list | dict) for settings in steps.values() for value in settings.values()):
            return steps
        said = "No setting varies, so there is nothing to compare. Give at least one a list, or lowest to highest."
        if not dialog.live:
            raise FinishlabError(said)
        dialog.say(f"    -> {said}")


def _settings(dialog: Dialog, step: str) -> dict[str, Any]:
    from finishlab.study.first_file import setting_from_words

    settings: dict[str, Any] = {}

    def one(text: str) -> tuple[str, Any] | None:
        if not text and settings:
            return None
        return setting_from_words(_some(text), step)

    while True:
        found = dialog.ask(f"  {step}: setting{' (Enter: no more)' if settings else ''}", one)
        if found is None:
            return settings
        settings[found[0]] = found[1]


def _changeover(dialog: Dialog, step: str) -> dict[str, int | float]:
    """Ask what it takes to make ready for a step; nothing stands in the file where it takes nothing."""

    def minutes(text: str) -> int | float:
        value = _number(text or "0", _MINUTES)
        if value < 0:
            raise FinishlabError(f"'{text}' is below 0. Type the minutes, 0 or more.")
        return value

    asked = f"  {step}: minutes to change pad, product or tool before it, once a job (Enter: 0)"
    value = dialog.ask(asked, minutes)
    return {"changeover_minutes": value} if value else {}


def _goal(dialog: Dialog, new: NewStudy) -> NewStudy:
    from finishlab.study import HAZE_METHODS
    from finishlab.study.goal_words import goal_from_words

    dialog.say("What must the finish be? One condition a line:")
    dialog.say("  gloss_20 at least 84     haze at most 18     faults at most 0")

    def more(text: str) -> NewStudy | None:
        if not text and new.goal:
            return None
        return _with(new, goal={**new.goal, **goal_from_words([_some(text)])}, haze_method=HAZE_METHODS[0])

    while True:
        lead = "  condition (Enter: no more)" if new.goal else "  condition"
        found = dialog.ask(lead, more)
        if found is None:
            break
        new = found
    if "haze" not in new.goal:
        return replace(new, haze_method="")
    listed = " or ".join(f"{i} for {name}" for i, name in enumerate(HAZE_METHODS, start=1))
    return replace(
        new,
        haze_method=dialog.ask(
            f"By which method does the meter give haze? ({listed})", _one_of(HAZE_METHODS)
        ),
    )


def _one_of(names: tuple[str, ...]) -> Callable[[str], str]:
    def read(text: str) -> str:
        if text.isdigit() and 1 <= int(text) <= len(names):
            return names[int(text) - 1]
        found = next((name for name in names if name.casefold() == text.casefold()), None)
        if found is None:
            raise FinishlabError(f"Type one of: {', '.join(names)}.")
        return found

    return read


def _limit(dialog: Dialog, new: NewStudy) -> NewStudy:
    """Ask for a film limit; nothing about it is suggested, since a person has to set it."""
    from finishlab.study.column_names import MIL_UM

    units = {"um": 1.0, "µm": 1.0, "μm": 1.0, "mil": MIL_UM, "mils": MIL_UM}
    dialog.say(
        "The most film that may be removed. The shop sets it by its coating maker's data sheet; none is suggested."
    )

    def film(text: str) -> int | float | None:
        if not text:
            return None
        # Toward caution: what mils make in µm is never rounded up.
        value = math.floor(_number(text, units) * 100 + 1e-6) / 100
        return int(value) if value.is_integer() else value

    most = dialog.ask("  most film removed, µm (Enter: no limit is set now)", film)
    if most is None:
        return new
    dialog.say(f"  {most} µm")
    by = dialog.ask("  who set it, and when (as: workshop lead, 2 March)", _some)

    def whole(text: str) -> NewStudy:
        sure = _number(text, _SHARE)
        return _with(new, limit={"removed_um": {"at_most": most, "set_by": by, "assurance": sure}})

    return dialog.ask("  how sure must it be kept? (99 % is 99 jobs in a hundred)", whole)


def _today(dialog: Dialog, new: NewStudy) -> NewStudy:
    from finishlab.words.show import levels_text

    study = _study(new)
    today: dict[str, Any] = {}

    def level(setting: Setting) -> None:
        question = f"  today's {setting.label()} ({levels_text(setting)})"
        today[setting.factor] = dialog.ask(question, lambda text: _level(setting, text))

    for step in study.steps:
        if step.amount is not None and not step.amount.held:
            level(step.amount)
        if step.amount is not None and today.get(step.amount.factor) == 0:
            continue
        for setting in step.settings:
            if not setting.held and setting is not step.amount:
                level(setting)
    return _with(new, today=today)


def _level(setting: Setting, text: str) -> Any:
    from finishlab.study import level_of
    from finishlab.words.show import levels_text

    found = level_of(setting, _number(text) if setting.numeric else text)
    if found is None:
        raise FinishlabError(
            f"'{text}' is not one of its levels: {levels_text(setting)}. Today's process is run as a control, so it "
            "must be among them."
        )
    return found

"""`finishlab rename`: another name for a step or a level, in the study and in every trial at once."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from finishlab.cli import screen
from finishlab.cli.options import Folder
from finishlab.cli.study_folder import CHANGES, RENAMED, RUN_SHEETS, STUDY, StudyFolder, replaced
from finishlab.cli.watch_command import changes_file, kept_changes
from finishlab.errors import FinishlabError, nearest

if TYPE_CHECKING:
    from finishlab.records.renaming import NewName
    from finishlab.study import Setting, Study


def rename(
    folder: Folder,
    what: Annotated[
        str,
        typer.Argument(
            metavar="WHAT", help="step, or the setting whose level it is, as cut_pad.", show_default=False
        ),
    ],
    old: Annotated[str, typer.Argument(metavar="OLD", help="The name until now.", show_default=False)],
    new: Annotated[str, typer.Argument(metavar="NEW", help="The name from now on.", show_default=False)],
) -> None:
    """Give a step or a level another name, everywhere.

    Its trials keep their history. Changes study.toml (comments stay), the record book or trial
    sheet, planned trials and the workbooks in run_sheets/, all together or not at all, and
    leaves a dated line in changes.csv. If study.toml has the new name already, only the trials
    change.

    \b
    Examples:
      finishlab rename doors cut_pad wool "twisted wool"
      finishlab rename doors step refine middle
    """
    from finishlab.records.renaming import renamed_sheet, renamed_text
    from finishlab.study import Study
    from finishlab.words import show

    place = StudyFolder.at(folder)
    study, old, new = place.study(), old.strip(), new.strip()
    if not new or new == old:
        raise FinishlabError(f"'{new}' is no new name for '{old}'. Give another one.")
    name, in_study = _step(study, old, new) if what == "step" else _level(study, what, old, new)
    text = renamed_text(study.source, name) if in_study else study.source
    after = Study.from_toml(text)
    sheet = place.sheet()
    sheets = [*([] if sheet is None else [sheet]), *_run_sheets(place)]
    files: dict[Path, bytes] = {}
    if in_study:
        files[place.path / STUDY] = text.encode("utf-8")
    for path in sheets:
        if (data := renamed_sheet(path, name)) is not None:
            files[path] = data
    line = (dt.date.today().isoformat(), f"{RENAMED}{what.replace('_', ' ')} {old} is now {new}")
    files[place.path / CHANGES] = changes_file(sorted(dict.fromkeys([*kept_changes(place), line])))
    trials = 0
    with replaced(files):
        if place.has_book():
            with place.book() as book:
                trials = book.rename(study, after, name)
        elif sheet is not None:
            place.trials_so_far(after)  # a sheet with mistakes under the new name stays as it was
    console = screen.console()
    where = f", in {show.counted(trials, 'trial')} of the record book" if trials else ""
    screen.say(console, f"{what.replace('_', ' ').capitalize()} {old} is now {new}{where}.")
    screen.listed(console, "Changed", map(str, files))
    screen.say(
        console,
        "Pages and labels printed before still say the old name, and so do procedures already issued.",
    )


def _run_sheets(place: StudyFolder) -> list[Path]:
    folder = place.path / RUN_SHEETS
    return sorted(folder.glob("*.xlsx")) if folder.is_dir() else []


def _step(study: Study, old: str, new: str) -> tuple[NewName, bool]:
    """Return the new name of a step, and whether the study file has the old one still."""
    from finishlab.records.renaming import NewName
    from finishlab.study.file_mistakes import Mistakes
    from finishlab.study.file_steps import read_steps

    names = [s.name for s in study.steps]
    if old in names and new in names:
        raise FinishlabError(f"the study has a step '{new}' already; two steps cannot become one.")
    if old not in names and new not in names:
        raise FinishlabError(f"there is no step '{old}'. {nearest(old, names)}")
    mistakes = Mistakes("")
    read_steps([{"name": new}], mistakes)
    if mistakes.found:
        raise FinishlabError(mistakes.found)
    return NewName(old, "", old, new, tuple(names)), old in names


def _level(study: Study, what: str, old: str, new: str) -> tuple[NewName, bool]:
    """Return the new name of a level, and whether the study file has the old one still."""
    from finishlab.records.renaming import NewName
    from finishlab.study import level_of
    from finishlab.words import show

    setting: Setting | None = study.settings.get(what)
    if setting is None:
        raise FinishlabError(
            f"'{what}' is neither the word step nor a setting. {nearest(what, ['step', *study.settings])}"
        )
    if setting.numeric or setting.name == "grit":
        raise FinishlabError(
            f"{setting.label()} has {'numbers' if setting.numeric else 'marks of a standard'}, not names of the shop. Correct a "
            "trial where it is logged."
        )
    found, there = level_of(setting, old), level_of(setting, new)
    named = found or next(
        (
            v
            for v in study.step(setting.step).no_longer.get(setting.name, ())
            if v.casefold() == old.casefold()
        ),
        None,
    )
    if named and there and there != named:
        raise FinishlabError(f"{setting.label()} has '{there}' already; two levels cannot become one.")
    if not named and not there:
        raise FinishlabError(
            f"{setting.label()} has no level '{old}'. Its levels are {show.levels_text(setting)}."
        )
    return NewName(setting.step, setting.name, named or old, new), named is not None

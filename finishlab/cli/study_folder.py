"""A study folder: one study with all its files, each in its place.

::

    doors/
      study.toml               the study file, written by the shop
      trials.sqlite            the record book, or without one
      trials.csv               the trial sheet (or trials.xlsx; one of the three)
      run_sheets/              what is taken to the bench: workbooks, pages, labels
      notebooks/               the notebooks, about this study; the shop's own from then on
      results/                 the study's answer, with its figure and tables; others kept by name in folders of their own
      procedures/              every procedure ever written, one number each, drafts too; shop.toml with the shop's own words
      changes.csv              what changed since the trials, with dates
      .tablet.json             port and token of the tablet page, for its owner only

Here is decided where a file belongs, and that files change all together or not at all.
What stands in them is decided elsewhere.
"""

from __future__ import annotations

import json
import re
import shutil
import tempfile
from collections.abc import Collection, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from finishlab.errors import FinishlabError, RecordsError

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.records import RecordBook
    from finishlab.study import Study

STUDY = "study.toml"
SHEETS = ("trials.csv", "trials.xlsx")
BOOK = "trials.sqlite"
CHANGES = "changes.csv"
#: How a line of it begins that tells of a new name, which is no change of the work.
RENAMED = "renamed: "
RESULTS, PROCEDURES, RUN_SHEETS, NOTEBOOKS = "results", "procedures", "run_sheets", "notebooks"
#: The data set behind `start_demo`: its trials and its planned round go into a book, the rest is copied.
_DEMO = "van_panels"
_DEMO_TRIALS, _DEMO_PLANNED = "trials.csv", f"{RUN_SHEETS}/round_2.csv"
_NUMBER = re.compile(r"SP-([0-9]+)", re.IGNORECASE)
_KEEP = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")
_ROUND = re.compile(r"round_([0-9]+)", re.IGNORECASE)
#: How the name of a run sheet ends whose plan was taken back.
_TAKEN_BACK = "_taken_back"
#: The line of a notebook that says which folder it is about.
_ABOUT = re.compile(r'^STUDY_FOLDER = "[^"]*"')
#: The page that says who starts with which notebook.
WELCOME = "welcome.md"
#: Readings for the notebook about meters, which has to stand on some before the shop has its own.
_METER = "meter_study"
_METER_PATH = re.compile(rf"(?:\.\./)?datasets/(?={_METER})")


@dataclass(frozen=True)
class StudyFolder:
    """
    The folder of one study.

    Attributes
    ----------
    path : Path
        It exists.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     folder = StudyFolder.at(place)
    ...     folder.next_number(), folder.sheet() is None
    ('SP-001', True)
    """

    path: Path

    @classmethod
    def at(cls, path: str | Path) -> StudyFolder:
        """
        Return the study folder at a path.

        Raises
        ------
        FinishlabError
            There is no folder of that name.
        """
        path = Path(path)
        if path.is_file():
            raise FinishlabError(f"{path} is a file. Give the study's folder, {path.parent}.")
        if not path.is_dir():
            raise FinishlabError(
                f"there is no folder {path}. Look at the name, or make a folder with a new study: finishlab start {path}"
            )
        return cls(path)

    @property
    def results(self) -> Path:
        """Where the study's answer stands."""
        return self.path / RESULTS

    @property
    def procedures(self) -> Path:
        """Where procedures are kept."""
        return self.path / PROCEDURES

    def run_sheets(self) -> Path:
        """
        Return where run sheets stand; the folder is made when it is not there.

        Raises
        ------
        FinishlabError
            It cannot be made.
        """
        place = self.path / RUN_SHEETS
        try:
            place.mkdir(exist_ok=True)
        except OSError as error:
            raise FinishlabError(
                f"{place} cannot be made ({error.strerror or error}). Look at who may write in {self.path}."
            ) from None
        return place

    def study(self) -> Study:
        """Return the study; StudyError with every mistake of its file."""
        from finishlab.study import Study

        return Study.read(self.path / STUDY)

    def sheet(self) -> Path | None:
        """
        Return the trial sheet, None when there is none yet.

        Raises
        ------
        RecordsError
            There are two, or a record book as well: nobody could say which one counts.
        """
        found = sorted(p for p in self.path.iterdir() if p.name.casefold() in SHEETS)
        if found and self.has_book():
            raise RecordsError(
                f"{self.path} has {BOOK} and {found[0].name}; only one can hold the trials. Put the sheet into the book "
                f"(move it elsewhere, then: finishlab import {self.path} SHEET), or move the one that does not count away."
            )
        if len(found) > 1:
            names = " and ".join(p.name for p in found)
            raise RecordsError(
                f"{self.path} has {names}; only one can be the trial sheet. Move the one that does not count elsewhere."
            )
        return found[0] if found else None

    def has_book(self) -> bool:
        """Return whether the trials are kept in a record book."""
        return (self.path / BOOK).exists()

    def book(self, *, new: bool = False) -> RecordBook:
        """
        Open the record book of the folder; close it after use.

        Parameters
        ----------
        new : bool, optional
            Make an empty one where there is none.

        Raises
        ------
        RecordsError
            There is none, there is a trial sheet as well, or it cannot be opened.
        """
        sheet = self.sheet()
        if not self.has_book() and sheet is not None:
            raise RecordsError(
                f"the trials of {self.path} are kept in {sheet.name}, not in a record book. Log them there; or move the "
                f"sheet elsewhere and put it into a book: finishlab import {self.path} SHEET"
            )
        if not self.has_book() and not new:
            raise RecordsError(
                f"there is no record book in {self.path}. If there was one, put {BOOK} back there: a new one would be empty. Else plan "
                f"trials (finishlab plan {self.path}) or put a sheet in (finishlab import {self.path} SHEET), and one is made."
            )
        from finishlab.records import RecordBook

        return RecordBook(self.path / BOOK, new=new)

    def trials(self, study: Study) -> pd.DataFrame:
        """
        Return the trials, checked as `read_trials` does, from the record book if there is one.

        Raises
        ------
        RecordsError
            There are no trials yet, sheet and book are both there, or there are mistakes.
        """
        trials = self.trials_so_far(study)
        if trials is not None:
            return trials
        if self.has_book():
            raise RecordsError(
                f"the record book of {self.path} has no trials yet. Plan them (finishlab plan {self.path}), or put a sheet "
                f"in (finishlab import {self.path} SHEET)."
            )
        raise RecordsError(
            f"there is no trial sheet in {self.path}. Put the trials there as {' or '.join(SHEETS)}, one row a trial."
        )

    def trials_so_far(self, study: Study) -> pd.DataFrame | None:
        """Return the trials as `trials` does; None where there are none yet."""
        sheet = self.sheet()
        if self.has_book():
            with self.book() as book:
                return trials_in(book, study)
        if sheet is None:
            return None
        from finishlab.records import read_trials

        return read_trials(sheet, study)

    def how_to_plan(self, study: Study, *, trials: int, panels: int, seed: int) -> str:
        """
        Say how a plan that was only looked at gets into the record book; nothing is written here.

        Parameters
        ----------
        study : Study
        trials, panels, seed : int
            Of the plan, as `plan_trials` takes them.

        Returns
        -------
        str
            Sentences, with the command set off as Markdown sets off code.

        Raises
        ------
        RecordsError
            Sheet and book are both there, or there are mistakes.

        Examples
        --------
        >>> import tempfile
        >>> with tempfile.TemporaryDirectory() as place:
        ...     demo = start_demo(Path(place, "demo"))
        ...     said = demo.how_to_plan(demo.study(), trials=24, panels=4, seed=7)
        >>> said.split(". ")[1]
        'The study has 49 trials already, planned or worked, and the plan takes no account of them'
        """
        there = self.trials_so_far(study)
        if there is not None:
            return (
                "This plan stands on this page only. "
                f"The study has {len(there)} trials already, planned or worked, and the plan takes no account of them. "
                "To plan further trials beside them, use `finishlab plan`: it counts what is there, so its plan is "
                "another one. `finishlab follow-up` plans the next few after an answer."
            )
        where = self.path.resolve()
        line = f'finishlab plan "{where}" --trials {trials} --panels {panels} --seed {seed}'
        return (
            "This plan stands on this page only. To put it into the record book and to get its run sheets, type in a "
            f"terminal:\n\n```\n{line}\n```\n\n"
            "The seed makes it this same plan. Type it once. The technician then finds the first trial in the notebook for logging."
        )

    def next_number(self) -> str:
        """Return the first procedure number after the highest in use; a number is never used again."""
        names = [p.name for p in self.procedures.iterdir()] if self.procedures.is_dir() else []
        used = [int(found[1]) for name in names if (found := _NUMBER.match(name))]
        return f"SP-{max(used, default=0) + 1:03d}"

    def next_round(self) -> str:
        """Return the first name of a round of trials that no run sheet has, as ``round_1``."""
        place = self.path / RUN_SHEETS
        names = [p.name for p in place.iterdir()] if place.is_dir() else []
        used = [int(found[1]) for name in names if (found := _ROUND.match(name))]
        return f"round_{max(used, default=0) + 1}"

    def put_aside(self, study: Study, taken_back: Collection[object]) -> tuple[list[str], list[str]]:
        """
        Rename the run sheets of a plan that was taken back, so that nobody works by them.

        Parameters
        ----------
        study : Study
        taken_back : collection of trials

        Returns
        -------
        renamed, left : list of str
            Names within ``run_sheets/``: the new ones, and the workbooks that hold other trials too.

        Raises
        ------
        FinishlabError
            A file cannot be renamed.
        """
        from finishlab.records.sheets.sheet_files import read_sheet

        gone, renamed, left = {str(trial) for trial in taken_back}, [], []
        place = self.path / RUN_SHEETS
        for workbook in sorted(place.glob("round_*.xlsx")) if place.is_dir() else []:
            if workbook.stem.endswith(_TAKEN_BACK):
                continue
            try:
                trials = {str(v) for v in read_sheet(workbook, study).cells.get("trial", ()) if v is not None}
            except FinishlabError:
                continue  # not a run sheet any more, so nothing is known of it
            if trials and trials <= gone:
                for file in (
                    workbook,
                    *sorted(place.glob(f"{workbook.stem}.html")),
                    *sorted(place.glob(f"{workbook.stem}_labels.html")),
                ):
                    new = file.with_stem(file.stem + _TAKEN_BACK)
                    try:
                        file.replace(new)
                    except OSError as error:
                        raise FinishlabError(
                            f"{file} cannot be renamed ({error.strerror or error}). Its plan was taken back: close the "
                            "file and delete it."
                        ) from None
                    renamed.append(new.name)
            elif trials & gone:
                left.append(workbook.name)
        return renamed, left

    def add_notebooks(self) -> tuple[list[str], list[str]]:
        """
        Give the folder its own notebooks, about its own study; what is there already stays as it is.

        Returns
        -------
        added, kept : list of str
            Names within ``notebooks/``.

        Raises
        ------
        FinishlabError
            The installation lacks them, or one cannot be written. Those written before it are whole
            and stay.

        Examples
        --------
        >>> import tempfile
        >>> with tempfile.TemporaryDirectory() as place:
        ...     first = StudyFolder.at(place).add_notebooks()
        ...     again = StudyFolder.at(place).add_notebooks()
        >>> first[0] == again[1], first[1], again[0]
        (True, [], [])
        """
        from finishlab.records.sheets.sheet_files import write_whole

        place, files = self.path / NOTEBOOKS, _notebook_files()
        # A link that leads nowhere is kept as well.
        kept = [name for name in files if (place / name).exists() or (place / name).is_symlink()]
        added = [name for name in files if name not in kept]
        for name in added:
            folder = (place / name).parent
            try:
                folder.mkdir(parents=True, exist_ok=True)
            except OSError as error:
                raise FinishlabError(
                    f"{folder} cannot be made ({error.strerror or error}). Look at whether something of that name is in "
                    f"the way, and who may write in {self.path}."
                ) from None
            write_whole(place / name, files[name])
        return added, kept

    @contextmanager
    def replacing(self, files: Mapping[str, bytes], at: Path | None = None) -> Iterator[list[Path]]:
        """
        Put result files in place; put the older ones back if the body of the ``with`` fails.

        Parameters
        ----------
        files : mapping of str to bytes
            Name, and all that the file holds; none where nothing is to be kept.
        at : Path, optional
            The folder, made when it is not there; `results` when left out.

        Yields
        ------
        list of Path
            Where they are, in the order given.

        Raises
        ------
        RecordsError
            One cannot be written; every file is as it was.
        """
        at = at or self.results
        made = [p for p in (at, at.parent) if files and not p.exists()]
        try:
            if files:
                at.mkdir(exist_ok=True, parents=True)
        except OSError as error:
            raise RecordsError(
                f"the results cannot be written in {at} ({error.strerror}). Nothing was written. "
                "Look at whether something of that name is in the way, and who may write there."
            ) from None
        try:
            with replaced({at / name: data for name, data in files.items()}):
                yield [at / name for name in files]
        except BaseException:
            for folder in made:
                with suppress(OSError):  # someone else's file came in meanwhile
                    folder.rmdir()
            raise


def keep_name(name: str) -> str:
    """
    Return the name under which an answer is kept in `results`; FinishlabError where it cannot name a folder.

    Examples
    --------
    >>> keep_name("surer")
    'surer'
    """
    if not _KEEP.fullmatch(name):
        raise FinishlabError(
            f"{name!r} cannot name a folder in {RESULTS}. Use letters, digits, dashes and underscores, 40 at most, as surer."
        )
    return name


@contextmanager
def replaced(files: Mapping[Path, bytes]) -> Iterator[None]:
    """
    Put files in place; put the older ones back if one cannot be written or the body of the ``with`` fails.

    Parameters
    ----------
    files : mapping of Path to bytes

    Raises
    ------
    RecordsError
        One cannot be written; every file is as it was.
    """
    from finishlab.records.sheets.sheet_files import write_whole

    older = {path: _bytes(path) for path in files}
    try:
        for path, data in files.items():
            write_whole(path, data)
        yield
    except BaseException:
        for path, before in older.items():
            if before is None:
                path.unlink(missing_ok=True)
            elif _bytes(path) != before:
                write_whole(path, before)
        raise


def trials_in(book: RecordBook, study: Study) -> pd.DataFrame | None:
    """Return the trials of a study in a book, None where it has none yet; the study is put in if it lacks."""
    book.add_study(study)
    trials = book.trials(study)
    return trials if len(trials) else None


def start_demo(path: str | Path) -> StudyFolder:
    """
    Make a new folder with the demo study and its record book; its trials are invented.

    The book holds the trials of the data set, and a round that is planned and still to be logged.

    Parameters
    ----------
    path : str or Path
        Not there yet, or an empty folder.

    Returns
    -------
    StudyFolder

    Raises
    ------
    FinishlabError
        Something is there already, or the folder cannot be made. Nothing was changed.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     demo = start_demo(Path(place, "demo"))
    ...     demo.trials(demo.study())["status"].value_counts().to_dict()
    {'done': 40, 'planned': 8, 'spoiled': 1}
    """
    import pandas as pd

    from finishlab.records import RecordBook

    path, source = Path(path), shipped("datasets") / _DEMO
    left = shutil.ignore_patterns(".*", _DEMO_TRIALS, "make.py")
    with _new(path) as whole:
        # Only the files' contents: where the package is read-only, the copies must not be.
        shutil.copytree(source, whole, copy_function=shutil.copyfile, ignore=left)
        study = StudyFolder(whole).study()
        with RecordBook(whole / BOOK) as book:
            book.import_sheet(study, source / _DEMO_TRIALS, technician="demo")
            book.plan(study, pd.read_csv(source / _DEMO_PLANNED, dtype={"panel": str}))
    return StudyFolder(path)


def start_study(path: str | Path, text: str) -> StudyFolder:
    """
    Make a new folder with a study file, an empty record book and notebooks about it.

    Parameters
    ----------
    path : str or Path
        Not there yet, or an empty folder.
    text : str
        Of the study file.

    Returns
    -------
    StudyFolder

    Raises
    ------
    StudyError
        The text has mistakes. Nothing was made.
    FinishlabError
        Something is there already, or the folder cannot be made. Nothing was changed.
    """
    from finishlab.records import RecordBook
    from finishlab.study import Study

    path, study = Path(path), Study.from_toml(text)
    with _new(path) as whole:
        whole.mkdir()
        (whole / STUDY).write_text(text, encoding="utf-8", newline="\n")
        with RecordBook(whole / BOOK) as book:
            book.add_study(study)
        StudyFolder(whole).add_notebooks()
    return StudyFolder(path)


def refuse_taken(path: Path) -> None:
    """
    Say that a folder cannot be made anew because something is there.

    Raises
    ------
    FinishlabError
        It is a file, or a folder that is not empty.
    """
    if path.exists() and not (path.is_dir() and not any(path.iterdir())):
        go_on = f", or go on with this one: finishlab shortest {path}" if (path / STUDY).exists() else "."
        raise FinishlabError(
            f"{path} is there already and was not touched. Give the name of a new folder{go_on}"
        )


@contextmanager
def _new(path: Path) -> Iterator[Path]:
    """Give a place beside `path` where a folder is made; it becomes `path` whole, or not at all."""
    refuse_taken(path)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=".finishlab-") as beside:
            whole = Path(beside, "study")
            yield whole
            whole.chmod(0o755)
            if path.exists():
                path.rmdir()  # an empty folder, which not every system lets another replace
            whole.rename(path)
    except OSError as error:
        raise FinishlabError(
            f"{path} cannot be made ({error.strerror or error}). Give a place where you may write."
        ) from None


def _notebook_files() -> dict[str, bytes]:
    """Return all that a study's ``notebooks/`` holds before anybody works in it, by name."""
    notebooks, readings = shipped("notebooks"), shipped("datasets") / _METER
    files = {WELCOME: (notebooks / WELCOME).read_bytes()}
    for notebook in sorted(notebooks.glob("*.ipynb")):
        files[notebook.name] = _about(notebook.read_text(encoding="utf-8"), "..").encode()
    for file in sorted(p for p in readings.iterdir() if p.suffix in (".csv", ".md")):
        files[f"{_METER}/{file.name}"] = file.read_bytes()
    return files


def _about(notebook: str, folder: str) -> str:
    """Return a notebook whose first cell names another study folder, without what it showed."""
    content = json.loads(notebook)
    for cell in content["cells"]:
        source = cell["source"] if isinstance(cell["source"], str) else "".join(cell["source"])
        lines = _METER_PATH.sub("", source).splitlines(keepends=True)
        cell["source"] = [_ABOUT.sub(f'STUDY_FOLDER = "{folder}"', line) for line in lines]
        if cell["cell_type"] == "code":
            cell["outputs"], cell["execution_count"] = [], None
    return json.dumps(content, ensure_ascii=False, indent=1) + "\n"


def shipped(kind: str) -> Path:
    """
    Return the folder of notebooks or data sets that comes with finishlab.

    Parameters
    ----------
    kind : {"datasets", "notebooks"}

    Raises
    ------
    FinishlabError
        The installation lacks it.
    """
    package = Path(__file__).parent.parent
    # Inside an installed package, or beside it in a clone.
    for place in (package / "_shipped" / kind, package.parent / kind):
        if place.is_dir():
            return place
    raise FinishlabError(
        f"this installation of finishlab has no {kind}. Install it again, or work in a clone."
    )


def _bytes(path: Path) -> bytes | None:
    return path.read_bytes() if path.exists() else None

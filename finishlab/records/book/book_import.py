"""Whole sheets into the record book: a plan's trials, and trials logged on paper or by a meter.

A sheet sent in twice counts once, and what the book has is never changed by a sheet: where
the two differ, the sheet is answered. Judging a sheet by itself is in `incoming.py`.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import sqlalchemy as sa

from finishlab.errors import RecordsError
from finishlab.records.book import bench_checks as checks
from finishlab.records.book import database as t
from finishlab.records.book import rows
from finishlab.records.book.entries import Entry
from finishlab.records.book.incoming import Checked, in_parts
from finishlab.records.book.logged_trial import Logged, number_or_text, split
from finishlab.records.columns import understand

if TYPE_CHECKING:
    from finishlab.study import Study


_ORDER = ("planned", "started", "done", "spoiled")


@dataclass(frozen=True)
class Imported:
    """
    What a sheet brought.

    Attributes
    ----------
    text : str
        In one sentence.
    new : int
        Trials that are new, or went on, in the book.
    same : int
        Trials that the book had already, exactly so.
    refused : tuple of str
        What was not taken, and why; empty unless a part was asked for.
    cautions : tuple of str
    """

    text: str
    new: int
    same: int
    refused: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class _There:
    """The trials of a study that the book has, by label and by patch: row and label."""

    by_label: dict[str, int]
    by_patch: dict[tuple[str, str], tuple[int, str]]

    @classmethod
    def of(cls, conn: sa.Connection, study_id: int) -> _There:
        c = t.trials.c
        by_label, by_patch = {}, {}
        chosen = sa.select(c.id, c.label, c.panel, c.patch, c.status).where(c.study_id == study_id)
        for row, label, panel, patch, status in conn.execute(chosen):
            by_label[label] = row
            if patch is not None and status != "spoiled":
                by_patch[panel, patch] = row, label
        return cls(by_label, by_patch)

    def row(self, cells: Mapping[str, Any]) -> int | None:
        """Return the row of a trial; None where it is new."""
        if "trial" in cells:
            found = self.by_label.get(str(cells["trial"]))
            if found is None and cells["status"] != "spoiled" and (other := self.by_patch.get(_patch(cells))):
                raise RecordsError(
                    f"patch: panel {cells['panel']} patch {cells['patch']} is trial {other[1]} in the book, not trial "
                    f"{cells['trial']}. Correct one of the two."
                )
            return found
        if "patch" not in cells:
            raise RecordsError(
                "trial: is empty, and so is patch. Give each trial its number, or its panel and patch, so that a sheet "
                "sent in twice counts once."
            )
        found_patch = self.by_patch.get(_patch(cells))
        return found_patch[0] if found_patch else None


def _patch(cells: Mapping[str, Any]) -> tuple[str, str]:
    return str(cells["panel"]), str(cells.get("patch"))


def put_sheet(conn: sa.Connection, entry: Entry, sheet: Checked, *, partly: bool) -> Imported:
    """Put the trials of a checked sheet into the book; see `RecordBook.import_sheet`."""
    study = entry.study
    study_id, _ = rows.put_study(conn, study)
    new, known, mistakes = _found(conn, study_id, sheet, study)
    changes, same, differing = _compared(conn, sheet, known, study)
    mistakes += differing
    if mistakes and not partly:
        many = f"{len(mistakes)} mistakes" if len(mistakes) > 1 else "1 mistake"
        raise RecordsError(
            mistakes, heading=f"{sheet.source} has {many} against the book; nothing of it was taken."
        )
    cautions = [
        c for logged, more in changes if (c := _go_on(conn, study_id, entry, logged, more, sheet.source))
    ]
    numbers = sheet.table["trial"].dropna() if "trial" in sheet.table else ()
    insert(conn, study_id, entry, in_parts(sheet.table, study, new), sheet.source, numbers)
    refused = (*sheet.refused, *mistakes)
    count = len(new) + len(changes)
    return Imported(
        _told(sheet.source, count, same, len(refused)), count, same, refused,
        (*sheet.table.attrs.get("cautions", ()), *cautions),
    )  # fmt: skip


def _found(
    conn: sa.Connection, study_id: int, sheet: Checked, study: Study
) -> tuple[list[int], dict[int, int], list[str]]:
    """Return which trials of a sheet are new, the rows of those the book has, and mistakes."""
    there = _There.of(conn, study_id)
    telling = [n for n in ("trial", "panel", "patch", "status") if n in sheet.table]
    new: list[int] = []
    known: dict[int, int] = {}
    mistakes: list[str] = []
    for k, cells in enumerate(itertools.chain.from_iterable(in_parts(sheet.table[telling], study))):
        try:
            row = there.row(cells)
        except RecordsError as error:
            mistakes.append(f"{sheet.row_names[k]}, {error.mistakes[0]}")
            continue
        if row is None:
            new.append(k)
        else:
            known[k] = row
    return new, known, mistakes


def _compared(
    conn: sa.Connection, sheet: Checked, known: dict[int, int], study: Study
) -> tuple[list[tuple[Logged, dict[str, Any]]], int, list[str]]:
    """Return what a sheet adds to trials the book has, how many it leaves as they are, and where the two differ."""
    changes: list[tuple[Logged, dict[str, Any]]] = []
    same, mistakes = 0, []
    positions = iter(known)
    for part in in_parts(sheet.table, study, list(known)):
        at = list(itertools.islice(positions, len(part)))
        found = {logged.id: logged for logged in _loaded(conn, [known[k] for k in at])}
        for k, cells in zip(at, part, strict=True):
            logged = found[known[k]]
            try:
                if more := _more(logged, cells, study):
                    changes.append((logged, more))
                else:
                    same += 1
            except RecordsError as error:
                mistakes += [f"{sheet.row_names[k]}, {m}" for m in error.mistakes]
    return changes, same, mistakes


def _told(source: str, new: int, same: int, refused: int) -> str:
    parts = [f"{new} trial{'s' if new != 1 else ''} taken from {source}"]
    if same:
        parts.append(f"{same} already in the book")
    if refused:
        parts.append(f"{refused} mistake{'s' if refused != 1 else ''} left out")
    return ", ".join(parts) + "."


def _loaded(conn: sa.Connection, ids: list[int]) -> list[Logged]:
    out: list[Logged] = []
    for at in range(0, len(ids), 500):
        chosen = sa.select(t.trials).where(t.trials.c.id.in_(ids[at : at + 500]))
        out += rows.load_rows(conn, conn.execute(chosen).all())
    return out


# --- trials the book has already -----------------------------------------------------------------


def _more(logged: Logged, cells: Mapping[str, Any], study: Study) -> dict[str, Any]:
    """
    Return what a sheet adds to a trial; nothing when the book has it all.

    Raises
    ------
    RecordsError
        The sheet differs from what the book has.
    """
    there = logged.cells(study)
    planned = logged.status == "planned"
    wrong, more = [], {}
    for heading, value in cells.items():
        old = there.get(heading)
        if _same(heading, old, value) or heading == "trial":
            continue
        later = heading == "status" and _ORDER.index(value) > _ORDER.index(logged.status) < 2
        earlier = heading == "status" and value in ("planned", "started") and not later
        if later or (planned and heading in study.settings):
            more[heading] = value
        elif old is not None and not earlier:
            wrong.append(
                f"{heading}: trial {logged.trial} has {checks.words(old)} in the book and {checks.words(value)} here. "
                "Correct the sheet, or the book with amend."
            )
        elif not earlier:
            more[heading] = value
    if more and not wrong and logged.status in ("done", "spoiled"):
        wrong = [
            f"{heading}: trial {logged.trial} is {logged.status} in the book and has no {heading}. Put it in with amend, "
            "which says who did and why."
            for heading in more
        ]
    if wrong:
        raise RecordsError(wrong)
    return more


def _same(heading: str, old: Any, new: Any) -> bool:
    if heading == "date" and old is not None:
        # A sheet often has the day alone.
        return bool(old == new or (old.date() == new.date() and new.time().isoformat() == "00:00:00"))
    if heading in ("panel", "patch", "run_order", "technician"):
        return str(old) == str(new)
    return bool(old == new)


def _go_on(
    conn: sa.Connection, study_id: int, entry: Entry, logged: Logged, more: dict[str, Any], source: str
) -> str:
    """Put into a planned or started trial what a sheet adds; return a caution about settings not as planned."""
    parts = split(more, entry.study)
    changed = checks.deviations(logged.settings, logged.settings | parts["settings"])
    words = checks.deviation_words(changed)
    settings, extras = logged.settings | parts["settings"], logged.extras | parts["extras"]
    if changed:
        extras["deviation"] = f"{words}: as {source} says"
    values = rows.head_values(parts["head"])
    rows.update_trial(
        conn, logged.id, settings=rows.packed(settings), extras=rows.packed(extras or None), **values
    )
    for step, minutes in parts["works"].items():
        rows.put_work(conn, logged, step, technician=entry.technician, at=None, minutes=minutes)
    rows.put_readings(
        conn, logged.id, parts["readings"], technician=more.get("technician", logged.head["technician"]),
        taken_at=more.get("date"),
    )  # fmt: skip
    rows.put_event(
        conn, study_id, "imported", trial_id=logged.id, at=entry.when, technician=entry.technician,
        before=words or None, after=source, reason=f"as {source} says" if changed else None,
    )  # fmt: skip
    return f"Trial {logged.trial} was not worked as planned: {words}." if changed else ""


# --- a plan ------------------------------------------------------------------------------------


def take_back(conn: sa.Connection, entry: Entry) -> list[int | str]:
    """Take planned trials out that nobody started; see `RecordBook.take_back`."""
    study_id, _ = rows.put_study(conn, entry.study)
    c, e = t.trials.c, t.events.c
    waiting = sa.select(c.id, c.label, c.number).where(c.study_id == study_id, c.status == "planned")
    found = conn.execute(waiting.order_by(c.id)).all()
    if not found:
        return []
    highest = rows.next_label(conn, study_id) - 1
    for row, label, _ in found:
        # What happened stays, under the number the trial had.
        conn.execute(
            sa.update(t.events).where(e.trial_id == row).values(trial_id=None, before=f"trial {label}")
        )
        conn.execute(sa.delete(t.trials).where(c.id == row))
    labels = [number_or_text(label) for _, label, _ in found]
    rows.put_event(
        conn, study_id, rows.TAKEN_BACK, at=entry.when, technician=entry.technician, before=str(highest),
        after=", ".join(map(str, labels)),
    )  # fmt: skip
    return labels


def put_plan(conn: sa.Connection, entry: Entry, sheet: Checked, *, instead: bool = False) -> list[int | str]:
    """Put the trials of a checked plan into the book; see `RecordBook.plan`."""
    study = entry.study
    study_id, _ = rows.put_study(conn, study)
    if instead:
        take_back(conn, entry)
    there = _There.of(conn, study_id)
    every = list(itertools.chain.from_iterable(in_parts(sheet.table, study)))
    known = {}
    for k, cells in enumerate(every):
        found = there.by_patch.get(_patch(cells))
        if found is not None:
            known[k] = found[0]
    at = {logged.id: logged for logged in _loaded(conn, list(known.values()))}
    mistakes, changed = [], []
    for k, row in known.items():
        logged, settings = at[row], split(every[k], study)["settings"]
        if not (different := checks.deviations(logged.planned or logged.settings, settings)):
            continue
        words = checks.deviation_words(different)
        if logged.status != "planned":
            mistakes.append(
                f"{sheet.row_names[k]}, patch: panel {every[k]['panel']} patch {every[k]['patch']} was worked as trial "
                f"{logged.trial}, and the plan differs ({words}). Plan a fresh patch."
            )
        changed.append((logged, settings, words))
    if mistakes:
        raise RecordsError(mistakes, heading="The plan does not fit the book; nothing of it was taken.")
    for logged, settings, words in changed:
        rows.update_trial(conn, logged.id, settings=rows.packed(settings), planned=rows.packed(settings))
        rows.put_event(
            conn, study_id, "planned anew", trial_id=logged.id, technician=entry.technician, after=words
        )
    new = [k for k in range(len(every)) if k not in known]
    # The order in which they come is the order in which they are worked.
    order = [every[k].get("run_order") for k in new]
    if len(set(order)) == len(order) and all(isinstance(o, int) for o in order):
        new = [k for _, k in sorted(zip(order, new, strict=True))]
    insert(conn, study_id, entry, [[every[k] for k in new]] if new else [], "plan")
    return [at[known[k]].trial if k in known else every[k]["trial"] for k in range(len(every))]


_HEADS = (
    "label", "number", "panel", "patch", "run_order", "status", "reason", "burned_after_step", "technician",
    "minutes", "started_at",
)  # fmt: skip


def insert(
    conn: sa.Connection, study_id: int, entry: Entry, parts: Iterable[list[dict[str, Any]]], source: str,
    taken: Iterable[Any] = (),
) -> list[Any]:  # fmt: skip
    """
    Put new trials in.

    Parameters
    ----------
    conn : Connection
    study_id : int
    entry : Entry
    parts : iterable of list of dict
        The trials by heading, a part at a time, so that many need no memory at once.
    source : str
        Where they come from.
    taken : iterable, optional
        Numbers that trials of later parts bring along; a trial without one gets another.

    Returns
    -------
    list
        What each trial is called.
    """
    label, numbered = rows.next_label(conn, study_id), {str(trial) for trial in taken}
    called: list[Any] = []
    for part in parts:
        for cells in part:
            while "trial" not in cells:
                if str(label) not in numbered:
                    cells["trial"] = label
                label += 1
            called.append(cells["trial"])
        _insert(conn, study_id, entry, part, source)
    return called


def _insert(
    conn: sa.Connection, study_id: int, entry: Entry, part: list[dict[str, Any]], source: str
) -> None:
    study = entry.study
    rows.put_panel(conn, study_id, [cells["panel"] for cells in part])
    heads, works, readings = [], [], []
    columns = understand(dict.fromkeys(h for cells in part for h in cells), study)
    for cells in part:
        parts = split(cells, study, columns)
        values = {"study_id": study_id, **dict.fromkeys(_HEADS), **rows.head_values(parts["head"])}
        settings = rows.packed(parts["settings"])
        planned = settings if cells["status"] == "planned" else None
        heads.append(
            values
            | {"settings": settings, "planned": planned, "extras": rows.packed(parts["extras"] or None)}
        )
        works.append(parts["works"])
        readings.append(parts["readings"])
    at = _new_rows(conn, study_id, heads)
    done_by = [(h["technician"], h["started_at"]) for h in heads]
    steps = [
        {"trial_id": i, "step": step, "minutes": minutes, "technician": who}
        for i, found_works, (who, _) in zip(at, works, done_by, strict=True)
        for step, minutes in found_works.items()
    ]
    if steps:
        conn.execute(sa.insert(t.works), steps)
    read = [
        {"trial_id": i, "after": a, "quantity": q, "spot": s, "value": v, "technician": who, "taken_at": when}
        for i, found_readings, (who, when) in zip(at, readings, done_by, strict=True)
        for (a, q, s), v in found_readings.items()
    ]
    if read:
        conn.execute(sa.insert(t.readings), read)
    happened = {"study_id": study_id, "at": entry.when, "technician": entry.technician, "after": source}
    conn.execute(
        sa.insert(t.events),
        [
            happened | {"trial_id": i, "what": "planned" if cells["status"] == "planned" else "imported"}
            for i, cells in zip(at, part, strict=True)
        ],
    )


def _new_rows(conn: sa.Connection, study_id: int, heads: list[dict[str, Any]]) -> list[int]:
    """Put trials in and return their rows; whoever writes is alone, so rows after the last one are theirs."""
    c = t.trials.c
    last = conn.scalar(sa.select(sa.func.max(c.id))) or 0
    conn.execute(sa.insert(t.trials), heads)
    mine = sa.select(c.label, c.id).where(c.study_id == study_id, c.id > last)
    ids = {row.label: row.id for row in conn.execute(mine)}
    return [ids[values["label"]] for values in heads]

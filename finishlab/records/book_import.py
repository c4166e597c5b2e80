"""Whole sheets into the record book: a plan's trials, and trials logged on paper or by a meter.

A sheet sent in twice counts once, and what the book has is never changed by a sheet: where
the two differ, the sheet is answered. Judging a sheet by itself is in `check.py`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import sqlalchemy as sa

from finishlab.errors import RecordsError
from finishlab.optics import haze_index
from finishlab.records import bench_checks as checks
from finishlab.records import rows
from finishlab.records import tables as t
from finishlab.records.check import judged, taken
from finishlab.records.columns import MIL_UM, understand
from finishlab.records.entries import Entry
from finishlab.records.logged import Logged, split

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.records.sheet import Sheet
    from finishlab.study import Study

#: Rows refused one by one in words before the rest is only counted.
_NAMED = 50
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
class Checked:
    """A sheet without mistakes, and what was left out of it to make it so."""

    table: pd.DataFrame
    row_names: list[str]
    refused: tuple[str, ...]
    source: str


def checked(sheet: Sheet, study: Study, *, partly: bool) -> Checked:
    """
    Return a sheet judged whole; rows with mistakes are left out if only a part is asked for.

    Raises
    ------
    RecordsError
        All mistakes at once; asked for a part, only those of the sheet as a whole.
    """
    refused: list[str] = []
    draft = judged(sheet, study)
    while partly and not draft.mistakes.of_sheet and len(wrong := draft.mistakes.wrong_rows()):
        for position in wrong[:_NAMED].tolist():
            refused += [f"{sheet.row(position)}, {s}" for s in draft.mistakes.of_row(position)]
        if len(wrong) > _NAMED:
            refused.append(f"and {len(wrong) - _NAMED} more rows with mistakes.")
        sheet = _without(sheet, wrong)
        if not len(sheet.rows):
            raise RecordsError(
                refused, heading=f"{sheet.name} has no row without a mistake; nothing was taken."
            )
        draft = judged(sheet, study)
    draft.mistakes.raise_any(sheet.name)
    table, _ = taken(draft)
    return Checked(table, [sheet.row(i) for i in range(len(table))], tuple(refused), sheet.name)


def _without(sheet: Sheet, wrong: np.ndarray) -> Sheet:
    keep = np.ones(len(sheet.rows), bool)
    keep[wrong] = False
    return replace(
        sheet,
        cells={h: c[keep] for h, c in sheet.cells.items()},
        rows=sheet.rows[keep],
        index=None if sheet.index is None else sheet.index[keep],
        series={h: s.loc[keep] for h, s in sheet.series.items()},
        row_mistakes={},  # the rows that had them are gone
        cell_mistakes={},
    )


# --- one row of a sheet ------------------------------------------------------------------------


def cells_of(table: pd.DataFrame, study: Study) -> Iterator[dict[str, Any]]:
    """Yield each trial of a checked table by heading, film in µm, without empty cells and what is computed."""
    columns: dict[str, list[Any]] = {}
    found = understand(map(str, table.columns), study)
    repeats: dict[str, np.ndarray] = {}
    for heading, column in found.items():
        if column.repeat:
            some = table[heading].notna().to_numpy()
            repeats[column.mean] = repeats.get(column.mean, np.zeros(len(table), bool)) | some
    for heading, column in found.items():
        values = table[heading]
        if column.in_mil and not column.repeat:
            continue  # stands in micrometres under its own heading
        if column.in_mil:
            heading, values = heading.replace("_mil", "_um"), values * MIL_UM
        elif column.role in ("reading", "film") and not column.repeat:
            values = values.mask(
                repeats.get(heading, np.zeros(len(table), bool)) | _computed(table, heading, study)
            )
        columns[heading] = _as_python(values)
    for row in zip(*columns.values(), strict=True):
        yield {h: v for h, v in zip(columns, row, strict=True) if v is not None}


def _as_python(values: pd.Series) -> list[Any]:
    import pandas as pd

    if values.dtype.kind == "M":
        return [None if pd.isna(v) else v.to_pydatetime() for v in values]
    return values.astype(object).where(values.notna(), None).tolist()


def _computed(table: pd.DataFrame, heading: str, study: Study) -> np.ndarray:
    """Return where a value is only what the check reckoned from others."""
    has = set(table.columns)
    if heading == "removed_um" and {"film_before_um", "film_after_um"} <= has:
        return (table["film_before_um"] - table["film_after_um"] == table[heading]).to_numpy(bool)
    if heading == "haze" and study.reading.haze_method == "ASTM D4039" and {"gloss_20", "gloss_60"} <= has:
        reckoned = haze_index(table["gloss_60"].to_numpy(float), table["gloss_20"].to_numpy(float))
        return np.asarray(table[heading].to_numpy(float) == reckoned, bool)
    return np.zeros(len(table), bool)


# --- a sheet -----------------------------------------------------------------------------------


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
    there = _There.of(conn, study_id)
    new: list[dict[str, Any]] = []
    known: list[tuple[str, int, dict[str, Any]]] = []
    mistakes: list[str] = []
    for name, cells in zip(sheet.row_names, cells_of(sheet.table, study), strict=True):
        try:
            row = there.row(cells)
        except RecordsError as error:
            mistakes.append(f"{name}, {error.mistakes[0]}")
            continue
        if row is None:
            new.append(cells)
        else:
            known.append((name, row, cells))
    at = {logged.id: logged for logged in _loaded(conn, [row for _, row, _ in known])}
    changes: list[tuple[Logged, dict[str, Any]]] = []
    same = 0
    for name, row, cells in known:
        try:
            if more := _more(at[row], cells, study):
                changes.append((at[row], more))
            else:
                same += 1
        except RecordsError as error:
            mistakes += [f"{name}, {m}" for m in error.mistakes]
    if mistakes and not partly:
        many = f"{len(mistakes)} mistakes" if len(mistakes) > 1 else "1 mistake"
        raise RecordsError(
            mistakes, heading=f"{sheet.source} has {many} against the book; nothing of it was taken."
        )
    cautions = [
        c for logged, more in changes if (c := _go_on(conn, study_id, entry, logged, more, sheet.source))
    ]
    _insert(conn, study_id, entry, new, sheet.source)
    refused = (*sheet.refused, *mistakes)
    count = len(new) + len(changes)
    return Imported(
        _told(sheet.source, count, same, len(refused)), count, same, refused,
        (*sheet.table.attrs.get("cautions", ()), *cautions),
    )  # fmt: skip


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


# --- trials that are new -------------------------------------------------------------------------


def _insert(conn: sa.Connection, study_id: int, entry: Entry, new: list[dict[str, Any]], source: str) -> None:
    """Put new trials in, all at once."""
    if not new:
        return
    study = entry.study
    label = rows.next_label(conn, study_id)
    taken_labels = {str(cells["trial"]) for cells in new if "trial" in cells}
    rows.put_panel(conn, study_id, [cells["panel"] for cells in new])
    heads, works, readings = [], [], []
    columns = understand(dict.fromkeys(["trial", *(h for cells in new for h in cells)]), study)
    for cells in new:
        while "trial" not in cells:
            if str(label) not in taken_labels:
                cells["trial"] = label
            label += 1
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
    conn.execute(sa.insert(t.trials), heads)
    mine = sa.select(t.trials.c.label, t.trials.c.id).where(t.trials.c.study_id == study_id)
    ids = {row.label: row.id for row in conn.execute(mine)}
    at = [ids[values["label"]] for values in heads]
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
            for i, cells in zip(at, new, strict=True)
        ],
    )


_HEADS = (
    "label", "number", "panel", "patch", "run_order", "status", "reason", "burned_after_step", "technician",
    "minutes", "started_at",
)  # fmt: skip


# --- a plan ------------------------------------------------------------------------------------


def put_plan(conn: sa.Connection, entry: Entry, sheet: Checked) -> list[int | str]:
    """Put the trials of a checked plan into the book; see `RecordBook.plan`."""
    study = entry.study
    study_id, _ = rows.put_study(conn, study)
    there = _There.of(conn, study_id)
    every = list(cells_of(sheet.table, study))
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
    _insert(conn, study_id, entry, [every[k] for k in new], "plan")
    return [at[known[k]].trial if k in known else every[k]["trial"] for k in range(len(every))]


def plan_sheet(sheet: pd.DataFrame, study: Study) -> pd.DataFrame:
    """Return a plan as a table of planned trials, which have nothing measured yet."""
    import pandas as pd

    lacking = [n for n in ("panel", "patch") if n not in sheet.columns]
    if lacking:
        raise RecordsError(
            f"the plan has no column {' and no column '.join(lacking)}. Each planned trial needs its panel and patch."
        )
    found = understand(map(str, sheet.columns), study)
    kept = [
        h
        for h, c in found.items()
        if c.role in ("setting", "extra") or h in ("trial", "panel", "patch", "run_order")
    ]
    table = pd.DataFrame({h: sheet[h] for h in kept}).reset_index(drop=True)
    return table.assign(status="planned", minutes=np.nan, **dict.fromkeys(study.goal, np.nan))

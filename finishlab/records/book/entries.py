"""What a technician logs, entry by entry: start, work, read, finish, spoil, burn.

Each function is the body of one transaction: it looks at what is there, refuses or writes,
and returns what the bench is told. `record_book.py` says what the entries mean to a caller.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import sqlalchemy as sa

from finishlab.errors import RecordsError, nearest
from finishlab.numbers import is_number
from finishlab.records.book import bench_checks as checks
from finishlab.records.book import database as t
from finishlab.records.book import rows
from finishlab.records.book.bench_checks import Saved
from finishlab.records.book.logged_trial import (
    Logged,
    clean,
    heading_of,
    judged,
    refuse_mistakes,
    steps_of,
)
from finishlab.records.columns import FILM, START, read_at_spots
from finishlab.records.sheets.cells import plain_label
from finishlab.study import RESPONSES, Setting, level_of
from finishlab.words.show import left_out, reading_text

if TYPE_CHECKING:
    from finishlab.study import Study

#: Trials, and readings, looked back upon for what is usual.
_USUAL_TRIALS, _USUAL_READINGS = 8, 500


@dataclass(frozen=True)
class Entry:
    """
    Who logs what kind of entry, and how it is told from others.

    Attributes
    ----------
    study : Study
    technician : str
    key : str or None
        Two calls with one key count once.
    request : str
        What the key was used for.
    when : datetime
    """

    study: Study
    technician: str
    key: str | None
    request: str
    when: dt.datetime

    def save(
        self, conn: sa.Connection, study_id: int, logged: Logged, what: str, words: str,
        prompts: list[str] | None = None, **columns: Any,
    ) -> Saved:  # fmt: skip
        """Add the entry to what happened and return what the bench is told."""
        told = f"Saved: trial {logged.trial}, {words}."
        saved = Saved(logged.trial, self.when, told, tuple(prompts or ()))
        return rows.acknowledged(
            conn, study_id, logged, saved, what,
            technician=self.technician, key=self.key, request=self.request, **columns,
        )  # fmt: skip


# --- start -------------------------------------------------------------------------------------


def start(
    conn: sa.Connection, entry: Entry, *, trial: Any, panel: Any, patch: Any,
    settings: Mapping[str, Any] | None, film_before_um: Any, reason: str | None,
) -> Saved:  # fmt: skip
    """Start a planned trial, or one that nobody planned; see `RecordBook.start`."""
    study = entry.study
    panel, patch = _label(panel, "panel"), _label(patch, "patch")
    study_id, _ = rows.put_study(conn, study)
    if earlier := rows.answered(conn, study_id, entry.key, entry.request):
        return earlier
    logged = _planned(conn, study_id, trial, panel, patch, unplanned=settings is not None)
    if logged is not None and logged.status == "started" and logged.head["technician"] == entry.technician:
        return Saved(logged.trial, entry.when, f"Trial {logged.trial} is started already; go on with it.")
    if logged is not None and logged.status != "planned":
        raise RecordsError(_taken(logged))
    if logged is None:
        if panel is None:
            raise RecordsError("panel is empty. Give the test panel on which the unplanned trial is worked.")
        patch = patch or str(_next_patch(conn, study_id, panel))
        free_patch(conn, study_id, panel, patch)
        head = {"trial": str(rows.next_label(conn, study_id)), "panel": panel, "patch": patch}
        logged = Logged(0, {"minutes": None, "date": None, **head}, None, {})
    planned = dict(logged.settings)
    logged.settings = planned | dict(settings or {})
    unknown = [name for name in logged.settings if name not in study.settings]
    if unknown:
        raise RecordsError(
            [f"'{name}' is not a setting of this study. {nearest(name, study.settings)}" for name in unknown]
        )
    gone = [
        f"{setting.label()} {planned[name]}"
        for name, setting in study.settings.items()
        if planned.get(name) is not None
        and logged.settings[name] == planned[name]
        and level_of(setting, planned[name]) is None
        and not _between(setting, planned[name])
    ]
    if gone:
        raise RecordsError(
            f"trial {logged.trial} was planned with {' and '.join(gone)}, which the study no longer has. Take the plan back "
            "(finishlab plan FOLDER --take-back) and plan anew, list the level again, or mark the trial spoiled."
        )
    logged.head |= {"status": "started", "technician": entry.technician, "date": entry.when}
    film = (
        placed(logged, {"film_before_um": film_before_um}, START, study) if film_before_um is not None else {}
    )
    draft = judged(logged.cells(study), study, usual(conn, study_id, logged) if film else ())
    refuse_mistakes(draft, f"trial {logged.trial}")
    logged.settings = {name: clean(draft, name) for name in logged.settings}
    changed = checks.deviations(planned, logged.settings) if logged.id else {}
    if changed:
        words = checks.deviation_words(changed)
        reason = checks.reason_given(
            reason, f"Trial {logged.trial} is not as planned ({words}). Work it as planned, or say why not."
        )
        logged.extras["deviation"] = f"{words}: {reason}"
    _put_started(conn, study_id, entry, logged)
    put_clean(conn, entry, logged, draft, film)
    return entry.save(
        conn, study_id, logged, "started", f"started on panel {logged.head['panel']}, patch {logged.head['patch']}",
        before=checks.deviation_words(changed) if changed else None,
        after=", ".join(f"{k} {checks.words(v)}" for k, v in logged.settings.items() if v is not None),
        reason=reason,
    )  # fmt: skip


def _between(setting: Setting, value: Any) -> bool:
    """Return whether a number lies in the studied range."""
    return setting.numeric and is_number(value) and setting.levels[0] <= value <= setting.levels[-1]


def _label(value: Any, column: str) -> str | None:
    """Return a label as text; None where it is empty."""
    return None if value is None else plain_label(checks.text(value, column)) or None


def _planned(
    conn: sa.Connection, study_id: int, trial: Any, panel: Any, patch: Any, *, unplanned: bool
) -> Logged | None:
    """Return the trial to start; None when it is to be a new one."""
    if trial is not None:
        return rows.load(conn, study_id, trial)
    c = t.trials.c
    if panel is not None and patch is not None:
        of_patch = c.study_id == study_id, c.panel == str(panel), c.patch == str(patch)
        found = conn.execute(sa.select(t.trials).where(*of_patch, c.status != "spoiled")).all()
        if found or unplanned:
            return rows.load_rows(conn, found)[0] if found else None
        raise RecordsError(
            f"no trial is planned on panel {panel}, patch {patch}. Give its settings to log an unplanned one."
        )
    if unplanned:
        return None
    chosen = sa.select(t.trials).where(c.study_id == study_id, c.status == "planned")
    if panel is not None:
        chosen = chosen.where(c.panel == str(panel))
    found = conn.execute(chosen.order_by(c.id).limit(1)).all()
    if not found:
        where = f" on panel {panel}" if panel is not None else ""
        raise RecordsError(
            f"no planned trial is left{where}. Plan more, or give settings for an unplanned one."
        )
    return rows.load_rows(conn, found)[0]


def _taken(logged: Logged) -> str:
    who, when = logged.head["technician"] or "someone", logged.head["date"]
    since = f" on {when:%Y-%m-%d at %H:%M}" if when else ""
    if logged.status == "started":
        return f"trial {logged.trial} was started by {who}{since}. Go on with its readings; it is not started twice."
    return (
        f"trial {logged.trial} is {logged.status}; a patch is worked once, fresh. "
        "Start another, or correct this one with amend."
    )


def free_patch(conn: sa.Connection, study_id: int, panel: Any, patch: Any, *, but: int = 0) -> None:
    """Refuse a patch that another trial, not spoiled, was worked or planned on."""
    c = t.trials.c
    of_patch = c.study_id == study_id, c.panel == str(panel), c.patch == str(patch), c.status != "spoiled"
    other = conn.scalar(sa.select(c.label).where(*of_patch, c.id != but)) if patch is not None else None
    if other is not None:
        raise RecordsError(
            f"patch: panel {panel} patch {patch} belongs to trial {other}. A patch is worked once, fresh; give another patch."
        )


def _next_patch(conn: sa.Connection, study_id: int, panel: Any) -> int:
    c = t.trials.c
    found = conn.scalars(sa.select(c.patch).where(c.study_id == study_id, c.panel == str(panel)))
    return max((int(p) for p in found if p and p.isdecimal()), default=0) + 1


def _put_started(conn: sa.Connection, study_id: int, entry: Entry, logged: Logged) -> None:
    if logged.id:
        rows.update_trial(
            conn, logged.id, status="started", technician=entry.technician, started_at=entry.when,
            settings=rows.packed(logged.settings), extras=rows.packed(logged.extras or None),
        )  # fmt: skip
    else:
        logged.id = rows.insert_trial(conn, study_id, logged.head, logged.settings)


# --- work and readings ---------------------------------------------------------------------------


def worked(conn: sa.Connection, entry: Entry, trial: Any, *, step: str, minutes: Any) -> Saved:
    """Log that a step is worked and wiped; see `RecordBook.worked`."""
    study, (study_id, logged, earlier) = entry.study, opened(conn, entry, trial)
    if earlier:
        return earlier
    known_step(step, study, start=False)
    cells = logged.cells(study) | ({f"{step}_minutes": minutes} if minutes is not None else {})
    draft = judged(
        cells, study, usual(conn, study_id, logged) if minutes is not None else (), had=logged.settings
    )
    refuse_mistakes(draft, f"trial {logged.trial}")
    found = clean(draft, f"{step}_minutes") if minutes is not None else None
    rows.put_work(conn, logged, step, technician=entry.technician, at=entry.when, minutes=found, again=True)
    spent = None if found is None else reading_text(found)
    words = f"{step} worked" + (f" in {spent} minutes" if spent else "")
    prompts = []
    if any(after == step for after, _, _ in logged.readings):
        prompts.append(
            f"The patch was read after {step} before this work. Read it again, and correct the earlier readings with amend."
        )
    if step in study.reading.after and study.reading.wait_minutes:
        prompts.append(
            f"Wipe with {study.reading.wipe or 'what the study names'}, wait {study.reading.wait_minutes:g} minutes, then read."
        )
    return entry.save(conn, study_id, logged, f"worked {step}", words, prompts, after=spent)


def read(
    conn: sa.Connection, entry: Entry, trial: Any, *, after: str, values: Mapping[str, Any],
    instrument: str, direction: str, minutes: Any,
) -> Saved:  # fmt: skip
    """Log readings after a step; see `RecordBook.read`."""
    study, (study_id, logged, earlier) = entry.study, opened(conn, entry, trial)
    if earlier:
        return earlier
    known_step(after, study, start=minutes is None)
    new = placed(logged, values, after, study)
    if not new and minutes is None:
        raise RecordsError("there is no reading to save. Give at least one value.")
    prompts = checks.wait_prompts(logged, after, study, entry.when)
    cells = logged.cells(study) | ({f"{after}_minutes": minutes} if minutes is not None else {})
    film = any(q.endswith("_um") for _, q, _ in new)
    others = usual(conn, study_id, logged) if film or minutes is not None else ()
    draft = judged(cells, study, others, had=logged.settings)
    refuse_mistakes(draft, f"trial {logged.trial}")
    put_clean(conn, entry, logged, draft, new, instrument=instrument, direction=direction)
    if after != START and not left_out(study.step(after), logged.settings):
        spent = clean(draft, f"{after}_minutes") if minutes is not None else None
        rows.put_work(conn, logged, after, technician=entry.technician, at=entry.when, minutes=spent)
    saved = {q: [logged.readings[place] for place in new if place[1] == q] for _, q, _ in new}
    whole = {
        q: [v for (a, p, _), v in logged.readings.items() if (a, p) == (after, q) and v is not None]
        for q in saved
    }
    prompts += checks.spread_prompts(after, whole, _earlier(conn, study_id, logged, after, list(whole)))
    prompts += checks.film_prompts(logged, study)
    words = checks.reading_words(after, saved) if saved else f"{after} worked"
    return entry.save(conn, study_id, logged, f"read after {after}", words, prompts, after=words)


def opened(conn: sa.Connection, entry: Entry, trial: Any) -> tuple[int, Logged, Saved | None]:
    """Return a trial that is being worked, or the answer this entry had before."""
    study_id = rows.known_study(conn, entry.study)
    earlier = rows.answered(conn, study_id, entry.key, entry.request)
    logged = rows.load(conn, study_id, trial)
    if earlier is None and logged.status != "started":
        how = "Start it first." if logged.status == "planned" else "Correct what is logged with amend."
        raise RecordsError(f"trial {logged.trial} is {logged.status}, not being worked. {how}")
    return study_id, logged, earlier


def known_step(step: str, study: Study, *, start: bool) -> None:
    known = steps_of(study)[0 if start else 1 :]
    if step not in known:
        raise RecordsError(f"'{step}' is not a step of this study. {nearest(str(step), known)}")


def placed(
    logged: Logged, values: Mapping[str, Any], after: str, study: Study
) -> dict[tuple[str, str, int], Any]:
    """
    Give new readings their places in a trial, put them there as they were typed, and return them.

    One that stands alone is numbered where the study reads several spots: without a number it
    would be their mean.
    """
    new: dict[tuple[str, str, int], Any] = {}
    for quantity, given in values.items():
        _known_quantity(quantity, after)
        listed = list(given) if isinstance(given, list | tuple | np.ndarray) else [given]
        read = [v for v in listed if v is not None and v != "" and v == v]  # not-a-number is not itself
        spots = [s for a, q, s in logged.readings if (a, q) == (after, quantity)]
        of_several = quantity in RESPONSES and read_at_spots(quantity) and study.reading.spots > 1
        alone = len(read) == 1 and not spots and not of_several
        first = 0 if alone else max([*spots, 1 if 0 in spots else 0], default=0) + 1
        for k, value in enumerate(read):
            new[after, quantity, first + k] = value
    for after_, quantity, _ in new:
        if (after_, quantity, 0) in logged.readings:
            logged.readings[after_, quantity, 1] = logged.readings.pop((after_, quantity, 0))
            logged.joined.add((after_, quantity))
    logged.readings |= new
    return new


def _known_quantity(quantity: str, after: str) -> None:
    film = ("film_before_um",) if after == START else FILM[1:]
    known = [*RESPONSES, *film]
    if quantity not in known:
        place = "before any work" if after == START else f"after {after}"
        raise RecordsError(f"'{quantity}' is not read {place}. {nearest(str(quantity), known)}")


def put_clean(
    conn: sa.Connection, entry: Entry, logged: Logged, draft: Any, new: dict[tuple[str, str, int], Any],
    *, instrument: str = "", direction: str = "",
) -> None:  # fmt: skip
    """Write new readings as the rules understood them."""
    for place in new:
        heading = heading_of(place, entry.study)
        if heading not in draft.clean:
            raise RecordsError(
                f"{heading}: film was read after a later step already. Correct that one with amend."
            )
        logged.readings[place] = clean(draft, heading)
    rows.first_of_many(conn, logged)
    rows.put_readings(
        conn, logged.id, {place: logged.readings[place] for place in new},
        direction=checks.text(direction, "direction") or None,
        instrument=checks.text(instrument, "instrument") or None,
        technician=entry.technician, taken_at=entry.when,
    )  # fmt: skip


# --- what is usual -------------------------------------------------------------------------------


def usual(conn: sa.Connection, study_id: int, logged: Logged) -> list[dict[str, Any]]:
    """Return minutes and film of the trials finished last, by which units and decimal points are told."""
    c = t.trials.c
    found = conn.execute(
        sa.select(t.trials)
        .where(c.study_id == study_id, c.status == "done", c.id != logged.id)
        .order_by(c.id.desc())
        .limit(_USUAL_TRIALS)
    ).all()
    out = []
    for other in rows.load_rows(conn, found):
        cells = {f"{step}_minutes": m for step, m in other.works.items() if m is not None}
        cells |= {"minutes": other.head["minutes"]}
        cells |= {
            (f"{quantity}_{spot}" if spot else quantity): v
            for (_, quantity, spot), v in other.readings.items()
            if quantity in FILM[:2] and v is not None
        }
        out.append(cells)
    return out


def _earlier(
    conn: sa.Connection, study_id: int, logged: Logged, after: str, quantities: list[str]
) -> dict[str, list[np.ndarray]]:
    """Return readings of other patches after the same step, by quantity, each patch an array."""
    if not quantities:
        return {}
    r = t.readings.c
    last = conn.scalar(sa.select(sa.func.max(r.id))) or 0
    chosen = (
        sa.select(r.quantity, r.trial_id, r.value)
        .join(t.trials, t.trials.c.id == r.trial_id)
        .where(
            r.id > last - _USUAL_READINGS, t.trials.c.study_id == study_id, r.after == after,
            r.quantity.in_(quantities), r.trial_id != logged.id, r.value.is_not(None),
        )
    )  # fmt: skip
    patches: dict[str, dict[int, list[float]]] = {}
    for quantity, trial_id, value in conn.execute(chosen):
        patches.setdefault(quantity, {}).setdefault(trial_id, []).append(value)
    return {q: [np.array(v) for v in found.values()] for q, found in patches.items()}


# --- the meter -----------------------------------------------------------------------------------


def check_meter(
    conn: sa.Connection, entry: Entry, *, instrument: str, tile: str, expected: float, read: float,
    limit: float, limit_set_by: str,
) -> checks.MeterCheck:  # fmt: skip
    """Log a reading of a tile; see `RecordBook.check_meter`."""
    study_id, _ = rows.put_study(conn, entry.study)
    if earlier := rows.answer_before(conn, study_id, entry.key, entry.request):
        return checks.MeterCheck(**earlier[1])
    names = {"instrument": instrument, "tile": tile, "limit_set_by": limit_set_by}
    wanted = {
        "instrument": "Name the meter.",
        "tile": "Name the tile.",
        "limit_set_by": "Name who set the limit.",
    }
    found = {name: checks.text(value, name).strip() for name, value in names.items()}
    mistakes = [f"{name} is empty. {wanted[name]}" for name, value in found.items() if not value]
    for name, value in {"expected": expected, "read": read, "limit": limit}.items():
        number = isinstance(value, int | float | np.number) and np.isfinite(value)
        if not number or (name == "limit" and value <= 0):
            mistakes.append(f"{name} is {value!r}. Give a number{' above 0' if name == 'limit' else ''}.")
    if mistakes:
        raise RecordsError(mistakes, heading="The meter check was not saved.")
    off = float(read) - float(expected)
    good = bool(abs(off) <= limit + 1e-9)
    marked = 0 if good else _since_last_good(conn, study_id, entry, found["instrument"], found["tile"])
    conn.execute(
        sa.insert(t.meter_checks).values(
            study_id=study_id, **found, expected=float(expected), value=float(read), limit_value=float(limit),
            good=good, technician=entry.technician, at=entry.when,
        )
    )  # fmt: skip
    said = f"{found['instrument']} reads {read:g} on {found['tile']}, which is {expected:g}"
    told = f"{said}: within the limit of {limit:g} set by {found['limit_set_by']}."
    if not good:
        told = (
            f"{said}: off by {abs(off):.3g}, more than the limit of {limit:g} set by {found['limit_set_by']}. {marked} "
            "readings since the last good check are in doubt. Clean the tile and calibrate, check again, and read "
            "those patches again where they still exist."
        )
    check = checks.MeterCheck(good, off, marked, told)
    keyed = (
        {}
        if entry.key is None
        else {"key": str(entry.key), "request": entry.request, "answer": json.dumps(asdict(check))}
    )
    rows.put_event(
        conn, study_id, "meter checked", at=entry.when, technician=entry.technician, after=told, **keyed
    )
    return check


def _since_last_good(conn: sa.Connection, study_id: int, entry: Entry, instrument: str, tile: str) -> int:
    """Count the readings of a meter since its last check on the tile that was good."""
    m, r = t.meter_checks.c, t.readings.c
    same = m.study_id == study_id, m.instrument == instrument, m.tile == tile, m.good
    last = conn.scalar(sa.select(sa.func.max(m.at)).where(*same))
    chosen = (
        sa.select(sa.func.count())
        .select_from(t.readings.join(t.trials, t.trials.c.id == r.trial_id))
        .where(t.trials.c.study_id == study_id, r.instrument == instrument, r.taken_at <= entry.when)
    )
    return conn.scalar(chosen if last is None else chosen.where(r.taken_at > last)) or 0

"""From a recipe to the plain facts of its procedure.

The result is a dict of text, lists and numbers ready for JSON: the page, the sentence and
the kept file are all made from it, so that none can say something else. An empty text is
a line that the shop fills in by hand; nothing it should know is invented here. Words come
from `words.toml`, rounding from `show.py`, layout is the template's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from datetime import date as Date
from typing import TYPE_CHECKING, Any

from finishlab.plain import plain
from finishlab.procedure.shop import with_mils, words
from finishlab.study import AMOUNTS, LIMITS, RESPONSES, Condition
from finishlab.study.column_names import quantities_after
from finishlab.words import show

if TYPE_CHECKING:
    from finishlab.model.limits import LimitForecast
    from finishlab.solve import Recipe
    from finishlab.solve.answer_parts import EarlierAnswer, Saving
    from finishlab.solve.bench_card import Checkpoints
    from finishlab.study import Setting, Step, Study

#: Quicker processes named in the evidence.
_RIVALS = 3
#: Toward caution: more film removed, less film left.
_CAUTION: dict[str, show.Toward] = {"removed_um": "up", "film_left_um": "down"}
#: Settings by which a study itself says what machine is used, and how.
_MACHINE = ("machine", "tool", "speed", "load", "water", "orbit")


def procedure_facts(
    recipe: Recipe,
    *,
    number: str,
    revision: int,
    date: Date,
    reason: str,
    author: str,
    reviewer: str,
    shop: Mapping[str, Any],
    checkpoints: Checkpoints | None = None,
    before: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """
    Return the facts of a procedure as plain Python, ready for JSON.

    Parameters
    ----------
    recipe : Recipe
        One that was found.
    number : str
        Number of the procedure.
    revision : int
    date : datetime.date
        Date of this revision.
    reason : str
        Why this revision was made; empty for the first issue.
    author, reviewer : str
        Who wrote and checked it; empty for a line to fill in by hand. Who issues it, `issued_facts` takes.
    shop : mapping
        The shop's own words, as `read_shop` gives them.
    checkpoints : Checkpoints, optional
        What to do at which reading in the middle of a job.
    before : mapping, optional
        Facts of the revision before this one.

    Returns
    -------
    dict
        Text already rounded and in words, but for `figure`, which keeps full precision.
    """
    study, w = recipe.study, words()
    process = show.process_text(recipe.settings, study)
    time = show.time_text(recipe.minutes, recipe.job_minutes)
    assurance = show.percent(recipe.assurance)
    made = {
        "number": number,
        "revision": revision,
        "date": date.isoformat(),
        "shop": dict(shop),
        "title": study.title,
        "process": process,
        "goal": goal_text(recipe.goal, study),
        "wanted": recipe.wanted,
        "time": _time(recipe),
        "assurance": w["head"]["assurance_text"].format(
            assurance=assurance, wanted=show.asked_percent(recipe.wanted)
        ),
        "summary": w["head"]["summary"].format(
            number=number, revision=revision, process=process, time=time, assurance=assurance
        ),
        "scope": _scope(recipe),
        "evidence": _evidence(recipe, shop.get("mils", False)),
        "materials": [_materials(step, recipe) for step in study.steps],
        "steps": _steps(recipe, checkpoints),
        "step_notes": _step_notes(recipe, checkpoints),
        "checkpoint": w["checkpoints"]["final"].format(goal=goal_text(recipe.goal, study)),
        "mid_job": [] if checkpoints is None else checkpoints.lines(),
        "limits": [_limit(name, limit) for name, limit in recipe.limits.items()],
        "cautions": list(dict.fromkeys([*recipe.cautions, *study.cautions])),
        "pass_means": study.pass_means,
        "signoff": {"author": author, "reviewer": reviewer, "owner": ""},
        **_filled(shop),
        "next_review": _next_review(shop, date),
        "revisions": [
            *(before["revisions"] if before else []),
            [str(revision), date.isoformat(), reason or w["signoff"]["first"], author, ""],
        ],
        "figure": plain(show.considered(recipe).to_dict("records")),
    }
    made |= {"changes": _changes(before, made) if before else []}
    # The words of the shop stay as it wrote them; whole figures in the figure's data have no unit in them.
    return with_mils(made) | {"shop": made["shop"]} if shop.get("mils") else made


def issued_facts(facts: Mapping[str, Any], date: Date, by: str) -> dict[str, Any]:
    """Return the facts of a draft as they are issued: that day, by a named person, and else as they were drafted."""
    *earlier, (revision, _, reason, author, _) = facts["revisions"]
    return {
        **facts,
        "date": date.isoformat(),
        "next_review": _next_review(facts["shop"], date),
        "signoff": {**facts["signoff"], "owner": by},
        "revisions": [*earlier, [revision, date.isoformat(), reason, author, by]],
    }


def _next_review(shop: Mapping[str, Any], date: Date) -> str:
    """Day on which the shop looks at a revision of that date again; empty for a line to fill in by hand."""
    import pandas as pd

    months = shop.get("review_months")
    return (pd.Timestamp(date) + pd.DateOffset(months=months)).date().isoformat() if months else ""


def _filled(shop: Mapping[str, Any]) -> dict[str, Any]:
    """What the study does not know and the shop's file may say; an empty text is a line to fill in by hand."""
    w, said = words(), shop.get("filled", {})

    def limit(name: str) -> str:
        by = said.get(f"{name}_set_by", "")
        return w["signoff"]["limit_by"].format(limit=said[name], by=by) if said.get(name) else ""

    lines = ("clear_coat", "cure", "colours", "panels", "film_build", "competence")
    unit = "mil" if shop.get("mils") else "µm"
    return {
        "filled": [[w["filled"][name], said.get(name, "")] for name in lines],
        "hold_off": limit("hold_off"),
        "heat_limit": limit("heat_limit"),
        "copies": said.get("copies", ""),
        "film_map": [row.format(unit=unit) for row in w["checkpoints"]["film_map_rows"]],
    }


def _changes(before: Mapping[str, Any], now: Mapping[str, Any]) -> list[list[str]]:
    """Rows of what a revision changed: what, before, now; those first that a technician sets."""
    w = words()

    def said(facts: Mapping[str, Any]) -> dict[str, str]:
        return {
            **{row[0]: row[2] for row in facts["scope"]["studied"]},
            w["head"]["goal"]: facts["goal"],
            w["head"]["time"]: facts["time"][0],
            w["head"]["assurance"]: facts["assurance"],
            w["headings"]["stop"]: " ".join(facts["limits"]) or w["stop"]["no_limit_heading"],
            w["scope"]["pass"]: facts["pass_means"],
        }

    old, new = said(before), said(now)
    none = w["scope"]["not_named"]
    return [
        [what, old.get(what, none), new.get(what, none)]
        for what in dict.fromkeys([*new, *old])
        if old.get(what) != new.get(what)
    ]


def goal_text(goal: Mapping[str, Condition], study: Study) -> str:
    """Return a goal in words, haze with the method that gives it its scale."""
    method = study.reading.haze_method
    parts = [c.text(name) + (f" ({method})" if name == "haze" and method else "") for name, c in goal.items()]
    return "; ".join(parts)


def _time(recipe: Recipe) -> list[str]:
    """Time of a section, and of the job where that says more."""
    w, job = words()["head"], recipe.study.job
    lines = [w["time_of_section"].format(minutes=show.minutes_text(recipe.minutes))]
    total = show.minutes_text(recipe.job_minutes)
    if job.sections > 1:
        lines.append(w["time_of_job"].format(sections=job.sections, minutes=total))
    elif not math.isclose(recipe.job_minutes, recipe.minutes):
        lines.append(w["one_section"].format(minutes=total))
    return lines


def _worked(recipe: Recipe) -> list[Step]:
    return [s for s in recipe.study.steps if not show.left_out(s, recipe.settings)]


def _scope(recipe: Recipe) -> dict[str, Any]:
    study, w = recipe.study, words()["scope"]
    sections = show.counted(study.job.sections, "section")
    return {
        "job": w["job_text"].format(sections=sections, accept=study.job.accept),
        "studied": [
            [s.label(), _levels(s, recipe), show.setting_text(s, show.value_of(s, recipe.settings))]
            for s in study.factors
        ],
    }


def _levels(setting: Setting, recipe: Recipe) -> str:
    """Return what the trials worked of a setting; what was studied where an older recipe does not say."""
    worked = recipe.evidence.worked
    if worked is None or setting.held:
        return show.levels_text(setting)
    return show.levels_text(setting, worked[setting.factor])


def _evidence(recipe: Recipe, mils: bool) -> dict[str, Any]:
    e, w = recipe.evidence, words()["evidence"]
    counts = [w["trials"].format(trials=e.trials, panels=e.panels)]
    if e.readings:
        counts.append(w["readings"].format(readings=e.readings))
    if e.technicians:
        counts.append(w["technicians"].format(technicians=e.technicians))
    if e.first_date and e.last_date:
        counts.append(w["dates"].format(first=e.first_date, last=e.last_date))
    said = [f"{', '.join(counts)}."]
    if e.spoiled:
        said.append(w["spoiled"].format(spoiled=e.spoiled))
    if e.burned:
        said.append(w["burned"].format(burned=e.burned))
    said.append(w.get(f"model_{e.model}", w["model_other"]).format(model=e.model))
    lines = [" ".join(said), w["goal"].format(goal=goal_text(recipe.goal, recipe.study))]
    lines.append(
        w["assurance"].format(
            assurance=show.percent(recipe.assurance), wanted=show.asked_percent(recipe.wanted)
        )
    )
    if recipe.job_saves:
        lines.append(_saves(recipe.job_saves))
    if recipe.history:
        lines.append(w["history"].format(answers="; ".join(_answer(h) for h in recipe.history)))
    return {
        "lines": lines,
        "predicted": _predicted(recipe, mils),
        "rivals": _rivals(recipe),
        "fingerprint": e.fingerprint,
        "made_with": w["made_with"].format(
            versions=", ".join(f"{name} {number}" for name, number in e.versions.items()), seed=e.seed
        )
        if e.versions
        else "",
    }


def _answer(stood: EarlierAnswer) -> str:
    """An answer of an earlier round in words."""
    w = words()["evidence"]
    return w["history_found" if stood.found else "history_closest"].format(
        trials=stood.trials,
        process=stood.process,
        minutes=show.time_text(stood.minutes, show.known(stood.job_minutes)),
        assurance=show.percent(stood.assurance),
    )


def _saves(saves: Saving) -> str:
    """What the process saves a job against today's; more time is said as more, not as a negative saving."""
    w, low, high = words()["evidence"], saves.low, saves.high
    if low <= 0 <= high:
        said = w["saves_none"].format(interval=show.interval_text(low, high, "minutes"))
    elif saves.minutes > 0:
        minutes = show.minutes_text(saves.minutes, "down")
        said = w["saves_less"].format(minutes=minutes, interval=show.interval_text(low, high, "minutes"))
    else:
        minutes = show.minutes_text(-saves.minutes)
        said = w["saves_more"].format(minutes=minutes, interval=show.interval_text(-high, -low, "minutes"))
    beside = w["saves"].format(
        today_minutes=show.minutes_text(saves.today_minutes),
        today_assurance=show.percent(saves.today_assurance),
        said=said,
    )
    return beside if saves.today_keeps_limits else f"{beside} {w['saves_beyond']}"


def _predicted(recipe: Recipe, mils: bool) -> list[list[str]]:
    """Rows of quantity, expected value, interval of the average, interval of the next job."""
    p = {k: show.known(v) for k, v in recipe.predicted.items()}
    nan, rows = math.nan, []
    for name, (label, unit) in {**RESPONSES, **LIMITS}.items():
        if name not in p:
            continue
        mean = (p.get(f"{name}_mean_low", nan), p.get(f"{name}_mean_high", nan))
        job = (p.get(f"{name}_job_low", nan), p.get(f"{name}_job_high", nan))
        digits = min(max(show.decimals((job[1] - job[0]) / 2), 0), 1)
        # Film as in the stop rules: the same number on every line of the page.
        expected = show.number(p[name], 1, _CAUTION[name]) if name in LIMITS else show.number(p[name], digits)
        intervals = [show.interval_text(*i) if not math.isnan(i[0]) else "–" for i in (mean, job)]
        if mils and unit == "µm":
            rows.append([label, *(x if x == "–" else f"{x} {unit}" for x in (expected, *intervals))])
        else:
            rows.append([f"{label}, {unit}" if unit else label, expected, *intervals])
    w = words()["evidence"]
    section = w["next_section"].format(interval=show.interval_text(recipe.minutes_low, recipe.minutes_high))
    return [*rows, [w["minutes"], show.number(recipe.minutes, 1, "up"), "–", section]]


def _rivals(recipe: Recipe) -> list[str]:
    """The quicker processes that come nearest, in words."""
    w = words()["evidence"]
    table = show.considered(recipe)
    quicker = table[(table["role"] == "rival") & (table["job_minutes"] < recipe.job_minutes)]
    return [
        w["rival" if row["keeps_limits"] else "rival_limit"].format(
            process=row["process"],
            minutes=show.minutes_text(row["job_minutes"]),
            assurance=show.percent(row["assurance"]),
        )
        for row in quicker.sort_values("assurance", ascending=False).head(_RIVALS).to_dict("records")
    ]


def _materials(step: Step, recipe: Recipe) -> dict[str, Any]:
    """One step's materials and settings, held ones too; an empty machine is for the shop to fill in."""
    w, settings = words()["materials"], recipe.settings
    row: dict[str, Any] = {"step": show.step_name(step), "left_out": show.left_out(step, settings)}
    if row["left_out"]:
        return row
    lines = {}
    for s in step.settings:
        text = show.setting_text(s, show.value_of(s, settings))
        named = text if s.numeric or s.name in text else f"{s.name.replace('_', ' ')}: {text}"
        said = w["held" if s.held else "studied"].format(setting=named, levels=_levels(s, recipe))
        lines[s.name] = said
    machine = [lines.pop(name) for name in _MACHINE if name in lines]
    changeover = show.minutes_text(step.changeover_minutes) if step.changeover_minutes else "–"
    return row | {"settings": list(lines.values()), "machine": "; ".join(machine), "changeover": changeover}


def _steps(recipe: Recipe, checkpoints: Checkpoints | None) -> list[dict[str, Any]]:
    w, study = words()["steps"], recipe.study
    worked = _worked(recipe)
    rows: list[dict[str, Any]] = []
    for i, step in enumerate(study.steps, start=1):
        row: dict[str, Any] = {"no": i, "step": show.step_name(step), "left_out": step not in worked}
        if step not in worked:
            rows.append(row)
            continue
        last = step is worked[-1]
        amounts = [s for s in step.settings if s.name in AMOUNTS]
        others = [s for s in step.settings if s.name not in AMOUNTS]

        def said(those: list[Any]) -> str:
            return ", ".join(show.setting_text(s, show.value_of(s, recipe.settings)) for s in those)

        minutes = show.known(recipe.predicted.get(f"{step.name}_minutes"))
        band = "" if last or checkpoints is None else checkpoints.as_expected(step.name)
        read = _read(recipe, step, checkpoints, last=last)
        judged = read not in (w["no_reading"], w["decides_nothing"])
        row |= {
            "medium": said(others) or w["unstated"],
            "amount": said(amounts) or w["unstated"],
            "minutes": "" if math.isnan(minutes) else show.number(minutes, 1, "up"),
            "read": read,
            "accept": goal_text(recipe.goal, study) if last else band if judged else "–",
            "if_not": w["mid_job"] if band else w["stop"] if judged else "–",
        }
        rows.append(row)
    return rows


def _read(recipe: Recipe, step: Step, checkpoints: Checkpoints | None, *, last: bool) -> str:
    """What is wiped, waited for and read after a step; nothing that the study did not read there, or that decides nothing."""
    w, reading = words()["steps"], recipe.study.reading
    if last:
        asked = replace(recipe.study, goal=dict(recipe.goal))
        read = quantities_after(asked, recipe.study.steps[-1].name)
    else:
        read = _read_between(recipe, step)
        if not read:
            return w["no_reading"]
        if checkpoints is not None and step.name not in checkpoints.steps():
            return w["decides_nothing"]
    parts = [w["wipe"].format(wipe=reading.wipe)] if reading.wipe else []
    if reading.wait_minutes:
        parts.append(w["wait"].format(minutes=show.plain_number(reading.wait_minutes)))
    if at_spots := [RESPONSES[name][0] for name in read if name != "faults"]:
        spots = show.counted(reading.spots, "spot")
        parts.append(w["reading"].format(what=show.listed(at_spots), spots=spots))
    if "faults" in read:
        parts.append(w["faults"])
    return "; ".join(parts)


def _read_between(recipe: Recipe, step: Step) -> tuple[str, ...]:
    """What is read after a step before the last: the gloss that the trials read there; empty for none."""
    if step.name not in recipe.study.reading.after:
        return ()
    taken = recipe.evidence.read_after
    if taken is None:  # kept by an older finishlab
        return quantities_after(recipe.study, step.name)
    return (taken[step.name],) if taken.get(step.name) else ()


def _step_notes(recipe: Recipe, checkpoints: Checkpoints | None) -> list[str]:
    w = words()["steps"]
    notes = [
        w["pass_means"].format(pass_means=recipe.study.pass_means),
        w["total"].format(
            minutes=show.minutes_text(recipe.minutes),
            interval=show.interval_text(recipe.minutes_low, recipe.minutes_high, "minutes"),
        ),
    ]
    worked = _worked(recipe)
    if any(f"{s.name}_minutes" not in recipe.predicted for s in worked):
        notes.append(w["by_step"])
    between = [s for s in worked[:-1] if _read_between(recipe, s)]
    return notes + ([w["accept_blank"]] if between and checkpoints is None else [])


def _limit(name: str, limit: LimitForecast) -> str:
    w, unit = words()["stop"], LIMITS[name][1]
    toward = _CAUTION[name]
    said = [show.stop_when(name, limit.condition, limit.set_by)]
    if limit.predicted is not None and limit.worst is not None:
        predicted, worst = (f"{show.number(x, 1, toward)} {unit}" for x in (limit.predicted, limit.worst))
        said.append(w["removed" if toward == "up" else "left"].format(predicted=predicted, worst=worst))
    said.append(
        w["kept"].format(
            assurance=show.asked_percent(limit.assurance),
            probability=show.percent(show.known(limit.probability)),
        )
    )
    return " ".join(said)

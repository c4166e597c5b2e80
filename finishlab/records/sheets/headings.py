"""Rules about headings: which columns must be there, and which look like a slip.

A heading that is nearly a known one would pass as the shop's own column, and what stands
below it would be lost without a word; so it is answered here.
"""

from __future__ import annotations

import difflib
import re

from finishlab.records.columns import known_columns, understand
from finishlab.records.sheets.draft import Draft
from finishlab.records.sheets.value_rules import steps_timed
from finishlab.study import RESPONSES
from finishlab.words.show import listed

#: Headings listed in a sentence before the rest is only counted.
_LISTED = 12
_D4039 = ("gloss_20", "gloss_60")


def headings(draft: Draft) -> None:
    """Say which required columns are missing, and which headings look like slips."""
    known = known_columns(draft.study)
    extras = [h for h, c in draft.columns.items() if c.role == "extra"]
    last = draft.study.steps[-1].name
    for heading in list(extras):
        plain = heading.removeprefix(f"{last}_")
        if plain != heading and (meant := understand([plain], draft.study)[plain]).role == "reading":
            extras.remove(heading)
            if meant.quantity in RESPONSES:
                draft.mistakes.sheet(
                    f"'{heading}' is a reading after the last step, {last}, which goes by its plain name. "
                    + (
                        f"There is a '{plain}' too; keep one."
                        if plain in draft.columns
                        else f"Rename it to '{plain}'."
                    )
                )
    renamed = _missing(draft, extras)
    for heading in [h for h in extras if h not in renamed]:
        plain = _plain(heading)
        if (
            plain != heading
            and plain not in draft.columns
            and understand([plain], draft.study)[plain].role != "extra"
        ):
            draft.mistakes.sheet(
                f"column '{heading}' looks like '{plain}', and only that name is read. Rename it to '{plain}', "
                "or to something quite different if it is something else."
            )
        else:
            _perhaps_meant(draft, heading, [k for k in known if k not in draft.columns])


def _missing(draft: Draft, extras: list[str]) -> set[str]:
    """Say which required columns are missing; return the headings that are likely meant for them."""
    carried = {c.mean for c in draft.columns.values() if c.role != "extra"}
    wanted = [*(f.factor for f in draft.study.factors), "panel"]
    if not steps_timed(draft):
        wanted.append("minutes")
    for response in draft.study.goal:
        computed = response == "haze" and draft.study.reading.haze_method == "ASTM D4039"
        if not (computed and carried >= set(_D4039)):
            wanted.append(response)
    renamed: set[str] = set()
    listing = f" Columns: {_some(list(draft.columns))}."
    for name in [w for w in dict.fromkeys(wanted) if w not in carried]:
        candidate = _candidate(name, [e for e in extras if e not in renamed])
        sentence = f"column '{name}' is missing.{listing}"
        listing = ""  # once is enough
        if candidate:
            renamed.add(candidate)
            sentence += f" Rename '{candidate}' to '{name}'."
        elif name == "haze" and draft.study.reading.haze_method == "ASTM D4039":
            sentence += " Add it, or both 'gloss_20' and 'gloss_60', whose difference ASTM D4039 haze is."
        elif name == "minutes":
            sentence += (
                " Add it, with a value for every trial, or the minutes of every step; they are added up."
            )
        elif name in RESPONSES:
            sentence += f" Add it, or its repeat readings as '{name}_1', '{name}_2'; the goal names {name}."
        else:
            sentence += " Add it, with a value for every trial."
        draft.mistakes.sheet(sentence)
    return renamed


def _candidate(name: str, extras: list[str]) -> str:
    """Return the heading most likely meant for `name`, or empty."""
    plain = {_plain(e): e for e in reversed(extras)}
    if name in plain:
        return plain[name]
    squeezed = {p.replace("_", ""): e for p, e in plain.items()}
    close = difflib.get_close_matches(name.replace("_", ""), squeezed, n=1, cutoff=0.8)
    return squeezed[close[0]] if close and _digits(close[0]) == _digits(name) else ""


def _perhaps_meant(draft: Draft, heading: str, known: list[str]) -> None:
    close = difflib.get_close_matches(_plain(heading), known, n=1, cutoff=0.86)
    ending = next((r for r in RESPONSES if _plain(heading).endswith(f"_{r}")), "")
    if close and _digits(close[0]) == _digits(heading):
        draft.cautions.append(
            f"Column '{heading}' is kept as the shop's own and not used. If it is meant as '{close[0]}', rename it."
        )
    elif ending:
        steps = listed([s.name for s in draft.study.steps])
        draft.cautions.append(
            f"Column '{heading}' is kept as the shop's own and not used: no step is called "
            f"'{_plain(heading).removesuffix(f'_{ending}')}'. The steps are {steps}."
        )


def _plain(heading: str) -> str:
    """Return a heading in small letters, digits and underscores, as known names are written."""
    return re.sub(r"[^a-z0-9]+", "_", heading.casefold().replace("µ", "u").replace("μ", "u")).strip("_")


def _digits(text: str) -> str:
    return re.sub(r"[^0-9]", "", text)


def _some(names: list[str]) -> str:
    shown = ", ".join(f"'{n}'" for n in names[:_LISTED])
    return shown if len(names) <= _LISTED else f"{shown} and {len(names) - _LISTED} more"

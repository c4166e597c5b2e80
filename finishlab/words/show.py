"""The only place that rounds and formats for people.

Numbers keep full precision everywhere else; here (by `digits.py`) they get the digits
their uncertainty supports, rounded toward caution. Processes become plain words, tables
become small pieces of HTML for a notebook.
No figures here (`figures/`), no documents (`procedure/`), and nothing is computed on
rounded numbers.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Mapping, Sequence
from numbers import Integral, Real
from typing import TYPE_CHECKING, Any

from finishlab.study import LIMITS, RESPONSES, Condition
from finishlab.words.digits import (
    UNKNOWN,
    Toward,
    asked_percent,
    change,
    decimals,
    interval_text,
    known,
    minutes_text,
    number,
    percent,
    plain_number,
    reading_text,
    spaced,
)

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Setting, Step, Study

__all__ = [
    "NO_FILM_LIMIT",
    "UNKNOWN",
    "Toward",
    "asked_percent",
    "cell",
    "change",
    "considered",
    "counted",
    "decimals",
    "html_table",
    "interval_text",
    "known",
    "label",
    "left_out",
    "level_text",
    "levels_text",
    "listed",
    "minutes_text",
    "number",
    "percent",
    "plain_number",
    "process_text",
    "reading_text",
    "sentence_and_table",
    "setting_text",
    "spaced",
    "step_name",
    "stop_when",
    "time_text",
    "value_of",
]

#: Said first, wherever a process is named that no limit on film guards.
NO_FILM_LIMIT = "No film limit is set: nothing here guards the clear."
#: Rows of a table shown in a notebook before the rest is only counted.
ROWS = 20
#: Every quantity that carries a unit: label and unit. Minutes are their own unit.
_QUANTITIES: dict[str, tuple[str, str]] = {**RESPONSES, **LIMITS, "minutes": ("minutes", "")}
_ENDINGS = {
    "low": "low",
    "high": "high",
    "mean_low": "average, low",
    "mean_high": "average, high",
    "job_low": "next job, low",
    "job_high": "next job, high",
    "probability": "probability",
}
_LABELS = {
    "minutes": "minutes a section",
    "minutes_low": "minutes a section, low",
    "minutes_high": "minutes a section, high",
    "job_minutes": "minutes a job",
    "job_minutes_low": "minutes a job, low",
    "job_minutes_high": "minutes a job, high",
    "assurance": "next job meets the goal",
    "keeps_limits": "keeps the limits",
}


# --- processes in words --------------------------------------------------------------------


def value_of(setting: Setting, settings: Mapping[str, Any]) -> Any:
    """Return the value a process gives a setting: its own, or the held one; None when it has none."""
    value = setting.levels[0] if setting.held else settings.get(setting.factor)
    return None if _missing(value) else value


def left_out(step: Step, settings: Mapping[str, Any]) -> bool:
    """Return whether a process leaves a step out: zero passes, or zero seconds."""
    return step.amount is not None and value_of(step.amount, settings) == 0


def step_name(step: Step) -> str:
    """Return a step's name in plain words."""
    return step.name.replace("_", " ")


def setting_text(setting: Setting, value: Any) -> str:
    """
    Return one setting in plain words.

    Examples
    --------
    >>> from finishlab.study import Setting
    >>> setting_text(Setting("cut", "passes", "count", (1, 2)), 1)
    '1 pass'
    >>> setting_text(Setting("cut", "speed", "number", (900.0, 1800.0)), 900.0)
    'speed 900'
    >>> setting_text(Setting("cut", "pad", "choice", ("wool", "foam")), None)
    'left out'
    """
    if _missing(value):
        return "left out"
    if not setting.numeric:
        return str(value)
    shown = plain_number(float(value))
    if setting.name == "passes":
        return f"{shown} pass" if value == 1 else f"{shown} passes"
    if setting.name == "seconds":
        return f"{shown} second" if value == 1 else f"{shown} seconds"
    return f"{setting.name.replace('_', ' ')} {shown}"


def level_text(setting: Setting, value: float) -> str:
    """
    Return one level, as `Basis.values` holds it, in words without its unit.

    Examples
    --------
    >>> from finishlab.study import Setting
    >>> level_text(Setting("cut", "pad", "choice", ("wool", "foam")), 1.0)
    'foam'
    >>> level_text(Setting("cut", "passes", "count", (1, 2)), 2.0)
    '2'
    """
    return plain_number(value) if setting.numeric else str(setting.levels[int(value)])


def levels_text(setting: Setting, levels: Sequence[Any] | None = None) -> str:
    """
    Return the levels of a setting: a range, or every level.

    Parameters
    ----------
    setting : Setting
    levels : sequence, optional
        Those of its levels that are meant, in order, as the worked ones; all that are studied when not given.

    Examples
    --------
    >>> from finishlab.study import Setting
    >>> passes = Setting("cut", "passes", "count", (0, 1, 2, 3, 4))
    >>> levels_text(passes), levels_text(passes, (0, 1, 2)), levels_text(passes, (0, 2, 3))
    ('0 to 4 passes', '0 to 2 passes', '0 and 2 to 3 passes')
    >>> levels_text(Setting("cut", "pad", "choice", ("wool", "foam")))
    'wool, foam'
    """
    some = list(setting.levels if levels is None else levels)
    if len(some) == 1:
        return setting_text(setting, some[0])
    if not setting.numeric or not some:
        return ", ".join(map(str, some)) or "none"
    unit = f" {setting.name}" if setting.name in ("passes", "seconds") else ""
    begin = ""
    if some[0] == 0 and some[1] != setting.levels[1]:
        begin, some = "0 and ", some[1:]
    ends = dict.fromkeys(map(plain_number, (some[0], some[-1])))
    return f"{begin}{' to '.join(ends)}{unit}"


def time_text(minutes: float, job_minutes: float) -> str:
    """
    Return how long a process takes: of the job, with the working minutes of a section where they are not the same.

    Examples
    --------
    >>> time_text(6.83, 6.83), time_text(11.8, 74.6)
    ('6.9 minutes a section', '74.6 minutes a job (11.8 of work a section)')
    """
    if math.isclose(minutes, job_minutes) or math.isnan(job_minutes):
        return f"{minutes_text(minutes)} a section"
    return f"{minutes_text(job_minutes)} a job ({number(minutes, 1, 'up')} of work a section)"


def process_text(settings: Mapping[str, Any], study: Study) -> str:
    """
    Return a process in plain words: the varied settings, step by step.

    Held settings are the same in every process of the study and stay out. A step is
    named where its settings alone would not tell which step they belong to.

    Parameters
    ----------
    settings : mapping
        Factor -> value; None or absent for the settings of a left-out step.
    study : Study

    Examples
    --------
    >>> from finishlab import Study
    >>> study = Study.from_toml('''
    ... title = "Doors"
    ... pass_means = "one direction"
    ... [[step]]
    ... name = "cut"
    ... pad = ["wool", "foam"]
    ... passes = { lowest = 1, highest = 4 }
    ... [[step]]
    ... name = "polish"
    ... passes = { lowest = 0, highest = 2 }
    ... [goal]
    ... gloss_20 = { at_least = 82 }
    ... assurance = 0.9
    ... ''')
    >>> process_text({"cut_pad": "wool", "cut_passes": 4, "polish_passes": 2}, study)
    'wool, 4 passes; polish 2 passes'
    >>> process_text({"cut_pad": "foam", "cut_passes": 1, "polish_passes": 0}, study)
    'foam, 1 pass; polish left out'
    """
    worded = [s.name for s in study.factors if not s.numeric]
    parts = []
    for step in study.steps:
        varied = [s for s in step.settings if not s.held]
        if not varied:
            continue
        if left_out(step, settings):
            parts.append(f"{step_name(step)} left out")
            continue
        text = ", ".join(setting_text(s, value_of(s, settings)) for s in varied)
        told = any(not s.numeric and worded.count(s.name) == 1 for s in varied)
        named = step_name(step)
        # A number at the end of the name is not to be read as part of what is done.
        parts.append(text if told else f"{named}{':' if named[-1:].isdigit() else ''} {text}")
    return "; ".join(parts)


def considered(recipe: Any) -> pd.DataFrame:
    """
    Return every process a recipe weighed, in words, for its figure and its document.

    Parameters
    ----------
    recipe : Recipe

    Returns
    -------
    DataFrame
        `role` (``chosen``, ``closest`` when none was found, ``rival``, ``today``),
        `process` in words, `job_minutes` and `minutes` (of one section), each with `_low` and `_high`,
        `assurance` (0 to 1) and `keeps_limits`. What is not known is NaN; `keeps_limits`
        is True unless a process is known to break one.
    """
    import pandas as pd

    study = recipe.study
    rows: list[dict[str, Any]] = []
    ends = ("", "_low", "_high")
    names = [*(f"job_minutes{e}" for e in ends), *(f"minutes{e}" for e in ends), "assurance"]

    def add(role: str, settings: Mapping[str, Any], of: Mapping[str, Any], keeps: bool = True) -> None:
        numbers = {k: known(of.get(k)) for k in names}
        numbers["job_minutes"] = study.basis.job_of(settings, numbers["minutes"])
        rows.append(
            {"role": role, "process": process_text(settings, study), **numbers, "keeps_limits": keeps}
        )

    if recipe.found:
        add("chosen", recipe.settings, {name: getattr(recipe, name) for name in names})
    elif recipe.closest:
        add("closest", recipe.closest.settings, vars(recipe.closest), recipe.closest.keeps_limits)
    if study.today and recipe.saves:
        times = {k: getattr(recipe.saves, f"today_{k}") for k in names}
        add("today", study.today, times, recipe.saves.today_keeps_limits)
    taken = {row["process"] for row in rows}
    for row in recipe.rivals.to_dict("records"):
        if process_text(row, study) not in taken:
            add("rival", row, row, bool(row.get("keeps_limits", True)))
    return pd.DataFrame(rows, columns=["role", "process", *names, "keeps_limits"])


def stop_when(name: str, condition: Condition, set_by: str) -> str:
    """
    Return a limit on film as the order that run sheets, bench cards and procedures give.

    Parameters
    ----------
    name : str
        ``removed_um`` or ``film_left_um``.
    condition : Condition
        At most so much removed, or at least so much left, in micrometres.
    set_by : str
        Who set it.

    Examples
    --------
    >>> from finishlab.study import Condition
    >>> stop_when("removed_um", Condition(at_most=14), "workshop lead")
    'Stop when 14 µm of film has been removed (limit set by workshop lead).'
    >>> stop_when("film_left_um", Condition(at_least=30), "workshop lead")
    'Stop when 30 µm of film is left (limit set by workshop lead).'
    """
    value, done = (
        (condition.at_most, "has been removed") if name == "removed_um" else (condition.at_least, "is left")
    )
    return f"Stop when {value:g} {LIMITS[name][1]} of film {done} (limit set by {set_by})."


# --- tables --------------------------------------------------------------------------------


def label(column: str) -> str:
    """
    Return a column's name in plain words, with its unit.

    Examples
    --------
    >>> label("gloss_20_job_low"), label("sand_gloss_60"), label("cut_passes")
    ('20° gloss, GU, next job, low', 'sand 60° gloss, GU', 'cut passes')
    """
    if column in _LABELS:
        return _LABELS[column]
    for name, (words, unit) in _QUANTITIES.items():
        before, found, after = column.partition(name)
        if found and (not before or before.endswith("_")) and (not after or after.startswith("_")):
            ending = _ENDINGS.get(after[1:], after[1:].replace("_", " "))
            first = f"{before.replace('_', ' ')}{words}"
            return ", ".join(part for part in (first, unit, ending) if part)
    return column.replace("_", " ")


def cell(column: str, value: Any) -> str:
    """
    Return one value of a table in words, rounded as its column asks.

    Examples
    --------
    >>> cell("minutes", 6.83), cell("gloss_20_job_low", 82.98), cell("assurance", 0.918)
    ('6.9', '82.9', '91 %')
    >>> cell("cut_pad", None), cell("keeps_limits", True), cell("cut_passes", 4.0)
    ('–', 'yes', '4')
    """
    if _missing(value):
        return "–"
    if isinstance(value, bool) or type(value).__name__ == "bool":
        return "yes" if value else "no"
    if not isinstance(value, Real) or isinstance(value, Integral):
        return str(value)
    x = float(value)
    if column == "assurance" or column.endswith("probability"):
        return percent(x)
    if column.endswith("_low"):
        return number(x, 1, "down")
    if column.endswith("_high") or column.endswith("minutes"):
        return number(x, 1, "up")
    if any(name in column for name in _QUANTITIES):
        return number(x)
    return plain_number(x) if x == round(x) else f"{x:.4g}" if abs(x) < 1000 else f"{x:.1f}"


def html_table(df: pd.DataFrame, rows: int = ROWS) -> str:
    """
    Return a table as a small piece of HTML for a notebook.

    Everything is escaped and takes the notebook's own colours, so that it reads on a
    light and on a dark ground; it is tagged to stay out of the table of contents.

    Parameters
    ----------
    df : DataFrame
        Rounded here, column by column; column names become labels with units.
    rows : int, optional
        Rows shown; the rest is counted below the table.

    Examples
    --------
    >>> import pandas as pd
    >>> "<td" in html_table(pd.DataFrame({"minutes": [6.83]}))
    True
    >>> "&lt;b&gt;" in html_table(pd.DataFrame({"pad": ["<b>"]}))
    True
    """
    names = [str(c) for c in df.columns]
    numeric = [_is_numeric(df.iloc[:, j]) for j in range(len(names))]
    line = "border-bottom:1px solid;padding:2px 10px 2px 0"

    def put(tag: str, text: str, right: bool) -> str:
        return f'<{tag} style="{line};text-align:{"right" if right else "left"}">{html.escape(text)}</{tag}>'

    head = "".join(put("th", label(n), r) for n, r in zip(names, numeric, strict=True))
    body = []
    for values in df.head(rows).itertuples(index=False, name=None):
        cells = (put("td", cell(n, v), r) for n, v, r in zip(names, values, numeric, strict=True))
        body.append(f"<tr>{''.join(cells)}</tr>")
    more = f"<p>and {len(df) - rows} more rows.</p>" if len(df) > rows else ""
    return (
        '<div class="jp-toc-ignore"><table style="color:inherit;background:none;border-collapse:collapse">'
        f"<thead><tr>{head}</tr></thead><tbody>{''.join(body)}</tbody></table>{more}</div>"
    )


def sentence_and_table(sentence: str, df: pd.DataFrame) -> str:
    """
    Return what every result shows in a notebook: its sentence, then its table.

    Examples
    --------
    >>> import pandas as pd
    >>> sentence_and_table("84 GU & more", pd.DataFrame({"a": [1]})).startswith("<p>84 GU &amp; more</p>")
    True
    """
    return f"<p>{html.escape(sentence)}</p>{html_table(df)}"


def counted(count: int, word: str) -> str:
    """
    Return a count with its word, one or many.

    Examples
    --------
    >>> counted(1, "trial"), counted(28, "trial"), counted(3, "patch")
    ('1 trial', '28 trials', '3 patches')
    """
    return f"{count} {word}" if count == 1 else f"{count} {word}{'es' if word.endswith('ch') else 's'}"


def begun(text: str) -> str:
    """
    Return a text as it begins a sentence.

    Examples
    --------
    >>> begun("20° gloss"), begun("cut pad as in P1500"), begun("")
    ('20° gloss', 'Cut pad as in P1500', '')
    """
    return text[:1].upper() + text[1:]


def listed(words: Iterable[str]) -> str:
    """
    Return words as a list in a sentence.

    Examples
    --------
    >>> listed(["sand", "cut", "polish"]), listed(["sand"]), listed([])
    ('sand, cut and polish', 'sand', '')
    """
    words = list(words)
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _missing(value: Any) -> bool:
    return (
        value is None
        or type(value).__name__ in ("NAType", "NaTType")
        or (isinstance(value, float) and math.isnan(value))
    )


def _is_numeric(column: pd.Series) -> bool:
    from pandas.api.types import is_bool_dtype, is_numeric_dtype

    return is_numeric_dtype(column) and not is_bool_dtype(column)

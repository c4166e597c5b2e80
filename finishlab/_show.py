"""The only place that rounds and formats for people.

Numbers keep full precision everywhere else; here they get the digits their uncertainty
supports, rounded toward caution (a lower bound down, passes and minutes up, probabilities
down). Processes become plain words, tables become small pieces of HTML for a notebook.
No figures here (`plots.py`), no documents (`procedure/`), and nothing is computed on
rounded numbers.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable, Mapping
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_UP, Decimal
from numbers import Integral, Real
from typing import TYPE_CHECKING, Any, Literal

from finishlab.study import LIMITS, RESPONSES

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Setting, Step, Study

Toward = Literal["nearest", "down", "up"]

_ROUNDING = {"nearest": ROUND_HALF_UP, "down": ROUND_FLOOR, "up": ROUND_CEILING}
#: Shown for what nobody knows.
UNKNOWN = "not known"
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
    "assurance": "next job meets the goal",
    "keeps_limits": "keeps the limits",
}


# --- numbers -----------------------------------------------------------------------------


def decimals(uncertainty: float) -> int:
    """
    Return how many decimals an uncertainty supports.

    Parameters
    ----------
    uncertainty : float
        Standard uncertainty, or half the width of an interval, in the unit of the value.

    Returns
    -------
    int
        Places after the point; below zero for tens and hundreds; 1 when the uncertainty
        is zero or not known.

    References
    ----------
    Particle Data Group, Review of Particle Physics, introduction, section 5.3: the three
    leading digits of the uncertainty decide; 100 to 354 keep two digits, 355 to 949 one,
    950 to 999 become 1000 and keep two.

    Examples
    --------
    >>> decimals(1.23), decimals(0.65), decimals(0.0963)
    (1, 1, 2)

    An uncertainty of hundreds supports no decimals at all:

    >>> decimals(420.0)
    -2
    """
    if not math.isfinite(uncertainty) or uncertainty <= 0:
        return 1
    digits, exponent = f"{uncertainty:.2e}".split("e")
    return -int(exponent) + (1 if Decimal(digits) <= Decimal("3.54") else 0)


def number(value: float, places: int = 1, toward: Toward = "nearest") -> str:
    """
    Return a number with `places` decimals, rounded to the nearest, down or up.

    Examples
    --------
    >>> number(84.25, 1, "down"), number(84.25, 1, "up"), number(1234.0, -2)
    ('84.2', '84.3', '1200')

    What only the computer's arithmetic adds does not push a number up:

    >>> number(0.1 + 0.2, 1, "up"), number(float("nan"))
    ('0.3', 'not known')
    """
    if math.isnan(value):
        return UNKNOWN
    if math.isinf(value):
        return "without bound"
    exact = Decimal(f"{value:.12g}")
    rounded = exact.quantize(Decimal(1).scaleb(-places), rounding=_ROUNDING[toward])
    return f"{abs(rounded) if rounded == 0 else rounded:f}"


def interval_text(low: float, high: float, unit: str = "") -> str:
    """
    Return an interval in words, widened to the digits its own width supports.

    Examples
    --------
    >>> interval_text(82.91, 87.38, "GU")
    '82.9 to 87.4 GU'
    >>> interval_text(float("nan"), 87.38, "GU")
    'not known'
    """
    if math.isnan(low) or math.isnan(high):
        return UNKNOWN
    places = decimals((high - low) / 2)
    return _with_unit(f"{number(low, places, 'down')} to {number(high, places, 'up')}", unit)


def value_text(value: float, low: float, high: float, unit: str = "") -> str:
    """
    Return a value with its interval, both with the digits the interval supports.

    Examples
    --------
    >>> value_text(85.234, 82.91, 87.38, "GU")
    '85.2 GU (82.9 to 87.4 GU)'
    >>> value_text(85.234, float("nan"), float("nan"), "GU")
    '85.2 GU'
    """
    known = not (math.isnan(low) or math.isnan(high))
    text = _with_unit(number(value, decimals((high - low) / 2) if known else 1), unit)
    return f"{text} ({interval_text(low, high, unit)})" if known else text


def percent(p: float) -> str:
    """
    Return a computed probability in percent, rounded down; nothing is ever 100 %.

    Examples
    --------
    >>> percent(0.9079), percent(0.2), percent(0.9961)
    ('90 %', '20 %', '99.6 %')
    >>> percent(1.0), percent(0.0004), percent(float("nan"))
    ('over 99.9 %', 'under 1 %', 'not known')
    """
    if math.isnan(p):
        return UNKNOWN
    if p > 0.999:
        return "over 99.9 %"
    if p < 0.01:
        return "under 1 %"
    return f"{number(100 * p, 1 if p >= 0.99 else 0, 'down')} %"


def asked_percent(p: float) -> str:
    """
    Return a probability that a person chose, as they wrote it, in percent.

    Examples
    --------
    >>> asked_percent(0.9), asked_percent(0.975)
    ('90 %', '97.5 %')
    """
    return f"{100 * p:.6g} %"


def minutes_text(minutes: float, toward: Toward = "up") -> str:
    """
    Return minutes with their unit, up to the next tenth; savings go down.

    Examples
    --------
    >>> minutes_text(6.83), minutes_text(2.17, "down")
    ('6.9 minutes', '2.1 minutes')
    >>> minutes_text(6.0), minutes_text(float("nan"))
    ('6.0 minutes', 'not known')
    """
    return UNKNOWN if math.isnan(minutes) else f"{number(minutes, 1, toward)} minutes"


def plain_number(value: float) -> str:
    """
    Return a setting or target as a person would write it.

    Examples
    --------
    >>> plain_number(4.0), plain_number(1200.5)
    ('4', '1200.5')
    """
    return f"{value:.10g}"


def _with_unit(text: str, unit: str) -> str:
    return f"{text} {unit}" if unit else text


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


def levels_text(setting: Setting) -> str:
    """
    Return what was studied of a setting: a range, or every level.

    Examples
    --------
    >>> from finishlab.study import Setting
    >>> levels_text(Setting("cut", "passes", "count", (1, 2, 3)))
    '1 to 3 passes'
    >>> levels_text(Setting("cut", "pad", "choice", ("wool", "foam")))
    'wool, foam'
    """
    if setting.held:
        return setting_text(setting, setting.levels[0])
    if not setting.numeric:
        return ", ".join(map(str, setting.levels))
    low, high = plain_number(setting.levels[0]), plain_number(setting.levels[-1])
    unit = f" {setting.name}" if setting.name in ("passes", "seconds") else ""
    return f"{low} to {high}{unit}"


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
        parts.append(text if told else f"{step_name(step)} {text}")
    return "; ".join(parts)


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

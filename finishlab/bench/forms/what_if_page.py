"""The page of what-if questions in a notebook: move the goal, the assurance, the sections; see the minutes.

Sliders for the keyboard and the mouse, a sentence, and a bar a choice. What is answered is
`finishlab.solve.what_if`'s; here are its words and its look. Nothing is drawn by a plotting library,
so that a bar follows the slider at once.
"""

from __future__ import annotations

import html
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.solve.what_if import Answer, WhatIf
from finishlab.study import RESPONSES, Condition
from finishlab.words import show as _show

if TYPE_CHECKING:
    import ipywidgets

    from finishlab.model import FinishModel

#: Of a slider of gloss, haze or faults: how far it goes beyond the study's own goal either way, and its step.
_REACH = {"gloss": (15.0, 0.5), "haze": (30.0, 1.0), "faults": (5.0, 1.0)}
#: Assurances that can be asked for.
_LEAST, _MOST = 0.5, 0.99
#: Most sections of a job.
_SECTIONS = 12


def what_if(model: FinishModel) -> ipywidgets.VBox:
    """
    Return a page of sliders that shows what the minutes do when the question changes.

    Parameters
    ----------
    model : FinishModel

    Returns
    -------
    ipywidgets.VBox
        For each goal a slider, one for the assurance and one for the sections of the job; below
        them the answer, which follows each move.

    Raises
    ------
    ModelError
        The study has too many processes to follow a slider.

    Examples
    --------
    >>> import finishlab as fl
    >>> page = fl.what_if(model)
    >>> [slider.description for slider in page.children[:-1]]
    ['20° gloss at least', 'assurance, %', 'sections']
    >>> page.children[0].value = 70  # a lower goal: the answer below follows
    >>> "20° gloss at least 70 GU" in page.children[-1].value
    True
    """
    import ipywidgets as widgets

    ask = WhatIf(model)
    study = model.study
    wide = {"style": {"description_width": "11em"}, "layout": widgets.Layout(width="32em")}
    sliders = {name: _slider(name, condition, wide) for name, condition in study.goal.items()}
    assurance = widgets.IntSlider(
        value=round(100 * study.assurance),
        min=round(100 * _LEAST),
        max=round(100 * _MOST),
        description="assurance, %",
        **wide,
    )
    sections = widgets.IntSlider(
        value=study.job.sections,
        min=1,
        max=max(_SECTIONS, study.job.sections),
        description="sections",
        **wide,
    )
    answer = widgets.HTML()
    own = ask.answer()

    def show(_: Any = None) -> None:
        goal = {n: _asked(study.goal[n], s.value) for n, s in sliders.items()}
        wanted = assurance.value / 100
        found = ask.answer(goal, assurance=wanted, sections=sections.value)
        answer.value = page(found, own, goal, wanted, sections.value, model)

    for slider in (*sliders.values(), assurance, sections):
        slider.observe(show, "value")
    show()
    return widgets.VBox([*sliders.values(), assurance, sections, answer])


def _slider(name: str, condition: Condition, wide: Mapping[str, Any]) -> Any:
    """Return the slider of one goal: its one end, or how far its band lies from where it is."""
    import ipywidgets as widgets

    reach, step = _REACH[name.split("_")[0]]
    label = RESPONSES[name][0]
    if condition.at_least is not None and condition.at_most is not None:
        return widgets.FloatSlider(
            value=0.0, min=-reach, max=reach, step=step, description=f"{label}, band moved by", **wide
        )
    side, value = (
        ("at least", condition.at_least) if condition.at_least is not None else ("at most", condition.at_most)
    )
    assert value is not None
    return widgets.FloatSlider(
        value=value,
        min=max(value - reach, 0.0),
        max=value + reach,
        step=step,
        description=f"{label} {side}",
        **wide,
    )


def _asked(condition: Condition, value: float) -> dict[str, Any]:
    """Return a goal with its end where the slider is."""
    if condition.at_least is not None and condition.at_most is not None:
        return {"within": [condition.at_least + value, condition.at_most + value]}
    return {"at_least": value} if condition.at_least is not None else {"at_most": value}


def page(
    found: Answer, own: Answer, goal: Mapping[str, Any], wanted: float, sections: int, model: FinishModel
) -> str:
    """Return the answer as HTML: a sentence, and the minutes beside those of the study's own question."""
    study = model.study
    asked, _ = study.asked(goal)
    words = _show.listed(c.text(n) for n, c in asked.items())
    job = f" in a job of {_show.counted(sections, 'section')}" if sections > 1 else ""
    process = _show.process_text(found.settings, study)
    if found.found:
        said = (
            f"<b>{_show.time_text(found.minutes, found.job_minutes)}</b>: {html.escape(process)}. The next job reaches {html.escape(words)}{job} "
            f"with {_show.percent(found.assurance)} assurance ({_show.asked_percent(wanted)} asked)."
        )
    else:
        said = (
            f"<b>No studied process is sure enough</b> of {html.escape(words)}{job} ({_show.asked_percent(wanted)} asked). The likeliest, "
            f"{html.escape(process)}, {_show.time_text(found.minutes, found.job_minutes)}, comes to {_show.percent(found.assurance)}."
        )
    rows = [("asked now", found)] + ([("the study's own question", own)] if own.found else [])
    longest = max(answer.job_minutes_high for _, answer in rows)
    bars = "".join(_bar(name, answer, longest) for name, answer in rows)
    return f'<div style="max-width:46em;line-height:1.5"><p>{said}</p>{bars}</div>'


def _bar(name: str, answer: Answer, longest: float) -> str:
    """Return one bar of minutes, hatched where the promise is not kept; its whisker holds nine in ten jobs."""
    share = 100 / max(longest, 1e-9)
    look = "#0072b2" if answer.found else "repeating-linear-gradient(45deg,#888 0 4px,#ddd 4px 8px)"
    low, high = answer.job_minutes_low * share, answer.job_minutes_high * share
    kept = "" if answer.found else " (promise not kept)"
    numbers = f"{_show.number(answer.job_minutes)} min{kept}"
    return (
        f'<div style="display:flex;align-items:center;gap:.6em;margin:.2em 0"><span style="width:13em;text-align:right">{name}</span>'
        f'<span style="position:relative;flex:1;height:1.2em"><span style="position:absolute;height:100%;width:{np.clip(answer.job_minutes * share, 0, 100):.1f}%;background:{look}"></span>'
        f'<span style="position:absolute;top:45%;height:2px;left:{low:.1f}%;width:{max(high - low, 0.5):.1f}%;background:currentColor"></span></span>'
        f'<span style="width:11em">{numbers}</span></div>'
    )

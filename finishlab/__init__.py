"""finishlab: the shortest sanding, compounding and polishing process that keeps its promise.

The work runs one way. A `Study` says what is studied and what the finish must be;
`plan_trials` says which trials to work, `foresee` and `how_many_trials` what they will be
able to see, `run_day` what the day takes; `study_meter` says whether the meter is good enough;
`read_trials` reads what the bench logged;
`fit` turns it into a `FinishModel`, which `check_model` and
`compare_models` put to the test and `what_matters`, `pass_curve` and `setting_grid` explain (`screen_effects`
for a two-level plan worked once); `shortest` finds the least minutes that reach the goal
on the next job as often as asked, `frontier` shows minutes against the target and
`follow_up` the trials that would settle it; `confirm` holds trials on fresh panels against what
was predicted before them; `write_procedure` drafts the page for the wall and `issue_procedure` puts it in force.
`PracticeBench` is an invented shop with a known truth to learn and to test on.

The examples of the other docstrings go on with what is made here.

Examples
--------
>>> import finishlab as fl
>>> bench = fl.PracticeBench(kind=1, seed=3)
>>> sheet = fl.plan_trials(bench.study, trials=24, panels=4, seed=7)
>>> trials = bench.work(sheet, seed=1)
>>> model = fl.fit(bench.study, trials)
>>> recipe = fl.shortest(model)

Names load when they are first used, so that importing the package is quick.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

_PLACES = {
    "Study": "study",
    "PracticeBench": "practice.invented_shop",
    "RecordBook": "records",
    "read_trials": "records",
    "write_trials": "records",
    "plan_trials": "plan",
    "foresee": "plan",
    "Foresight": "plan",
    "how_many_trials": "plan",
    "HowMany": "plan",
    "run_day": "plan",
    "RunDay": "plan",
    "study_meter": "meter",
    "MeterStudy": "meter",
    "compare_meters": "meter",
    "MeterAgreement": "meter",
    "meter_drift": "meter",
    "MeterDrift": "meter",
    "fit": "model",
    "FinishModel": "model",
    "check_model": "model",
    "ModelChecks": "model",
    "compare_models": "model",
    "compare_levels": "model",
    "LevelDifferences": "model",
    "variance_shares": "model",
    "VarianceShares": "model",
    "ModelComparison": "model",
    "what_matters": "model",
    "WhatMatters": "model",
    "pass_curve": "model",
    "PassCurve": "model",
    "setting_grid": "model",
    "SettingGrid": "model",
    "screen_effects": "model",
    "ScreenedEffects": "model",
    "step_constants": "model",
    "StepConstants": "model",
    "shortest": "solve",
    "frontier": "solve",
    "next_passes": "solve",
    "NextPasses": "solve",
    "checkpoints": "solve",
    "Checkpoints": "solve",
    "compare_chains": "solve",
    "Chains": "solve",
    "job_time": "solve",
    "JobTime": "solve",
    "Frontier": "solve",
    "follow_up": "solve",
    "confirm": "solve",
    "Confirmation": "solve",
    "Recipe": "solve",
    "write_procedure": "procedure",
    "issue_procedure": "procedure",
    "withdraw_procedure": "procedure",
    "print_certificate_sheet": "classroom.newcomer_sheet",
    "print_customer_page": "procedure",
    "print_procedure": "procedure",
    "read_procedure": "procedure",
    "revise_procedure": "procedure",
    "procedure_register": "procedure",
    "step_counts": "classroom.step_counts",
    "StepCounts": "classroom.step_counts",
    "lesson": "classroom.lessons",
    "Lesson": "classroom.lessons",
    "write_slides": "classroom.slides",
    "certify": "classroom.newcomers",
    "Certificate": "classroom.newcomers",
    "watch_jobs": "jobs.monitor",
    "Watch": "jobs.monitor",
    "ClassExercise": "classroom.exercise",
    "log_form": "bench.forms.log_form",
    "what_if": "bench.forms.what_if_page",
    "write_run_sheet": "bench.run_sheets",
    "write_labels": "bench.run_sheets",
    "FinishlabError": "errors",
    "StudyError": "errors",
    "RecordsError": "errors",
    "PlanError": "errors",
    "ModelError": "errors",
    "OutsideStudy": "errors",
    "ProcedureError": "errors",
}

__all__ = [
    "Certificate",
    "Chains",
    "Checkpoints",
    "ClassExercise",
    "Confirmation",
    "FinishModel",
    "FinishlabError",
    "Foresight",
    "Frontier",
    "HowMany",
    "JobTime",
    "Lesson",
    "LevelDifferences",
    "MeterAgreement",
    "MeterDrift",
    "MeterStudy",
    "ModelChecks",
    "ModelComparison",
    "ModelError",
    "NextPasses",
    "OutsideStudy",
    "PassCurve",
    "PlanError",
    "PracticeBench",
    "ProcedureError",
    "Recipe",
    "RecordBook",
    "RecordsError",
    "RunDay",
    "ScreenedEffects",
    "SettingGrid",
    "StepConstants",
    "StepCounts",
    "Study",
    "StudyError",
    "VarianceShares",
    "Watch",
    "WhatMatters",
    "certify",
    "check_model",
    "checkpoints",
    "compare_chains",
    "compare_levels",
    "compare_meters",
    "compare_models",
    "confirm",
    "fit",
    "follow_up",
    "foresee",
    "frontier",
    "how_many_trials",
    "issue_procedure",
    "job_time",
    "lesson",
    "log_form",
    "meter_drift",
    "next_passes",
    "pass_curve",
    "plan_trials",
    "print_certificate_sheet",
    "print_customer_page",
    "print_procedure",
    "procedure_register",
    "read_procedure",
    "read_trials",
    "revise_procedure",
    "run_day",
    "screen_effects",
    "setting_grid",
    "shortest",
    "step_constants",
    "step_counts",
    "study_meter",
    "variance_shares",
    "watch_jobs",
    "what_if",
    "what_matters",
    "withdraw_procedure",
    "write_labels",
    "write_procedure",
    "write_run_sheet",
    "write_slides",
    "write_trials",
]

if TYPE_CHECKING:
    from finishlab.bench.forms.log_form import log_form
    from finishlab.bench.forms.what_if_page import what_if
    from finishlab.bench.run_sheets import write_labels, write_run_sheet
    from finishlab.classroom.exercise import ClassExercise
    from finishlab.classroom.lessons import Lesson, lesson
    from finishlab.classroom.newcomer_sheet import print_certificate_sheet
    from finishlab.classroom.newcomers import Certificate, certify
    from finishlab.classroom.slides import write_slides
    from finishlab.classroom.step_counts import StepCounts, step_counts
    from finishlab.errors import (
        FinishlabError,
        ModelError,
        OutsideStudy,
        PlanError,
        ProcedureError,
        RecordsError,
        StudyError,
    )
    from finishlab.jobs.monitor import Watch, watch_jobs
    from finishlab.meter import (
        MeterAgreement,
        MeterDrift,
        MeterStudy,
        compare_meters,
        meter_drift,
        study_meter,
    )
    from finishlab.model import (
        FinishModel,
        LevelDifferences,
        ModelChecks,
        ModelComparison,
        PassCurve,
        ScreenedEffects,
        SettingGrid,
        StepConstants,
        VarianceShares,
        WhatMatters,
        check_model,
        compare_levels,
        compare_models,
        fit,
        pass_curve,
        screen_effects,
        setting_grid,
        step_constants,
        variance_shares,
        what_matters,
    )
    from finishlab.plan import Foresight, HowMany, RunDay, foresee, how_many_trials, plan_trials, run_day
    from finishlab.practice.invented_shop import PracticeBench
    from finishlab.procedure import (
        issue_procedure,
        print_customer_page,
        print_procedure,
        procedure_register,
        read_procedure,
        revise_procedure,
        withdraw_procedure,
        write_procedure,
    )
    from finishlab.records import RecordBook, read_trials, write_trials
    from finishlab.solve import (
        Chains,
        Checkpoints,
        Confirmation,
        Frontier,
        JobTime,
        NextPasses,
        Recipe,
        checkpoints,
        compare_chains,
        confirm,
        follow_up,
        frontier,
        job_time,
        next_passes,
        shortest,
    )
    from finishlab.study import Study


def __getattr__(name: str) -> Any:
    if name in _PLACES:
        value = getattr(import_module(f"finishlab.{_PLACES[name]}"), name)
        globals()[name] = value
        return value
    raise AttributeError(f"module 'finishlab' has no name '{name}'. Public names: {', '.join(__all__)}.")


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])

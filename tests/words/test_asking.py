"""A question that may have no answer: the answer itself, the sentence in its place, and what still stops the work."""

import pytest

import finishlab as fl
from finishlab.words.asking import Unanswered, ask


def test_an_answer_comes_as_it_is(bench):
    sheet = ask(fl.plan_trials, bench.study, trials=16, panels=4, seed=7)
    assert sheet.equals(fl.plan_trials(bench.study, trials=16, panels=4, seed=7))


def test_what_trials_cannot_tell_is_said_in_the_answers_place(model):
    none = ask(fl.pass_curve, model, "cut_pad")
    with pytest.raises(fl.ModelError) as error:
        fl.pass_curve(model, "cut_pad")
    assert isinstance(none, Unanswered)
    assert none.why == str(error.value)
    assert none.text() == "Cut_pad" + none.why.removeprefix("cut_pad")
    assert none.plot() is None
    assert none.table().empty
    assert none.to_dict() == {"why": none.why}
    assert Unanswered("a <b> & c")._repr_html_() == "<p>A &lt;b&gt; &amp; c</p>"


def test_a_mistake_of_whoever_asks_stops_the_work(model):
    with pytest.raises(fl.StudyError, match=r"assurance is 90; it must be above 0"):
        ask(fl.shortest, model, assurance=90)


def test_a_notebook_is_shown_the_sentences_of_an_error_and_not_our_code():
    """IPython asks an error for `_render_traceback_` and shows what it gives."""
    from IPython.core.interactiveshell import InteractiveShell
    from IPython.utils.capture import capture_output

    InteractiveShell.clear_instance()
    shell = InteractiveShell.instance(colors="nocolor")
    try:
        with capture_output() as shown:
            ran = shell.run_cell(
                "import finishlab as fl\nraise fl.StudyError(['one.', 'two.'], heading='Two mistakes.')"
            )
    finally:
        InteractiveShell.clear_instance()
    assert isinstance(ran.error_in_exec, fl.StudyError)
    assert shown.stdout == "Two mistakes.\n  - one.\n  - two.\n"

"""Slow answers of a frozen object: worked out once, kept with it, not taken along by a changed copy."""

from dataclasses import dataclass, replace

from finishlab.memo import remembered

COUNTED: list[tuple[str, str]] = []


@dataclass(frozen=True)
class Shop:
    name: str

    @remembered
    def count(self, what):
        COUNTED.append((self.name, what))
        return [what]


def test_an_answer_is_worked_out_once_for_each_question_and_object():
    COUNTED.clear()
    one, other = Shop("one"), Shop("other")
    assert one.count("pads") is one.count("pads")
    assert one.count("discs") == ["discs"]
    assert other.count("pads") is not one.count("pads")
    assert COUNTED == [("one", "pads"), ("one", "discs"), ("other", "pads")]


def test_a_changed_copy_works_it_out_anew():
    COUNTED.clear()
    one = Shop("one")
    one.count("pads")
    replace(one, name="two").count("pads")
    assert COUNTED == [("one", "pads"), ("two", "pads")]


def test_a_fitted_model_gives_the_same_fit_at_each_asking(model):
    assert model.response("gloss_20") is model.response("gloss_20")

"""A test is left out only for a reason in the list of `skips.py`, and none of a missing program where CI=true."""

from types import SimpleNamespace

import pytest
import skips
import whole_run


@pytest.mark.parametrize(
    ("reason", "here", "on_ci"),
    [
        (skips.ANYWHERE["signals"], "skipped", "skipped"),
        (skips.NOT_ON_CI["server"], "skipped", "failed"),
        (f"voila, chromium {skips.NOT_ON_CI['browser']}", "skipped", "failed"),
        ("no time today", "failed", "failed"),
        ("got empty parameter set for (row)", "failed", "failed"),
    ],
)
def test_a_skip_is_a_failure_unless_its_reason_is_listed(monkeypatch, reason, here, on_ci):
    for ci, outcome in (("", here), ("true", on_ci)):
        monkeypatch.setenv("CI", ci)
        report = SimpleNamespace(
            skipped=True, outcome="skipped", longrepr=("test_x.py", 1, f"Skipped: {reason}")
        )
        assert whole_run.looked_at(report).outcome == outcome
        assert outcome == "skipped" or reason in report.longrepr

"""What holds for the whole run of the tests, examples and notebooks: one thread each, and no silent skip."""

import os

# The matrices are small: threads of the linear algebra would wait for each other longer than
# they work. It must be said before numpy is loaded; the notebooks' kernels take it over too.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

import pytest  # noqa: E402
import skips  # noqa: E402


def looked_at(report):
    """Turn a skip for a reason that is not in the list into a failure."""
    if report.skipped and not hasattr(report, "wasxfail"):
        reason = report.longrepr[2].removeprefix("Skipped: ")
        if not skips.may_be_skipped(reason, os.environ.get("CI") == "true"):
            report.outcome = "failed"
            report.longrepr = f"Left out, for a reason that tests/skips.py does not allow here: {reason}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport():
    return looked_at((yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report():
    return looked_at((yield))

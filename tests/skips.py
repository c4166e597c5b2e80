"""Every reason for which a test may be left out, in one list.

A skip for any other reason is a failure, and so is one of `NOT_ON_CI` where continuous checks
run (CI=true): all that is wanted is installed there. `whole_run.py` sees to it.
"""

#: What a test needs of the system it runs on, or of the case it is asked about. These hold on CI too.
ANYWHERE = {
    "signals": "processes are killed as POSIX does it",
    "disk": "file systems and limits as POSIX has them",
    "rights": "rights are given as POSIX does it",
    "terminal": "a terminal is a thing of POSIX",
    "processes": "what runs is read where Linux keeps it",
    "names": "this system has no such file name",
    "small disk": "only an administrator makes a file system, and not everywhere",
    "clone": "this is no clone: what is tracked cannot be asked",
    "readings": "this scipy comes without the readings of NIST",
}

#: What may not be installed where a person runs the tests.
NOT_ON_CI = {
    "browser": "not installed; this test opens a page in a real browser",
    "paper": "chromium or poppler-utils is not installed; they print the page for this check",
    "reader": "poppler-utils is not installed; it reads the PDF for this check",
    "server": "no PostgreSQL server is installed; the record book on PostgreSQL was not tested",
}


def may_be_skipped(reason: str, on_ci: bool) -> bool:
    """Say whether a reason, which may begin with what is missing, stands in the list."""
    listed = [*ANYWHERE.values(), *([] if on_ci else NOT_ON_CI.values())]
    return reason.endswith(tuple(listed))

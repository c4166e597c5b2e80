"""One bench that logs trials into a record book, run as a process of its own.

For the tests and the benchmark of the record book: processes are started, may be killed at
any moment, and leave a line in a file for every entry that was acknowledged to them.
"""

import os

from record_sheets import STUDY

from finishlab.records.book.record_book import RecordBook

SETTINGS = {"sand_grit": "P2000", "cut_pad": "foam", "cut_passes": 3, "polish_speed": 900, "polish_passes": 2}


def acknowledged(path):
    """Return what the writers were told: (entry, trial, key), one an entry."""
    with open(path, encoding="utf-8") as file:
        return [tuple(line.split()) for line in file.read().splitlines()]


def log_trials(url, name, count, path):
    """Log `count` trials, each begun twice with one key, and write down what was acknowledged."""
    told = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT)

    def tell(*words):
        os.write(told, (" ".join(map(str, words)) + "\n").encode())  # one call, so never half a line

    with RecordBook(url) as book:
        for k in range(count):
            key = f"{name}-{k}"
            trial = book.start(STUDY, technician=name, panel=f"{name}{k // 8}", settings=SETTINGS, key=key)
            tell("start", trial, key)
            again = book.start(STUDY, technician=name, panel=f"{name}{k // 8}", settings=SETTINGS, key=key)
            assert again == trial
            values = {"gloss_20": [84.1, 84.3, 84.0], "faults": [0]}
            book.read(STUDY, trial, after="polish", values=values, technician=name, key=f"{key}-read")
            tell("read", trial, key)
            book.finish(STUDY, trial, technician=name, minutes=6.5, key=f"{key}-done")
            tell("done", trial, key)
    os.close(told)

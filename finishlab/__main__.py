"""`python -m finishlab`, for where the command itself is not on the path."""

from finishlab.cli import main

main()

"""`python -m finishlab.proving`: the proving ground from the command line."""

import sys

from finishlab.proving.proving_ground import main

if __name__ == "__main__":
    sys.exit(main())

"""What holds for the whole run of the tests."""

import os

# The matrices are small: threads of the linear algebra would wait for each other longer than
# they work. It must be said before numpy is loaded; the notebooks' kernels take it over too.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

"""Puts this folder on the import path, so that tests in every folder share the invented plan."""

import os

# One thread of linear algebra per test process, as on every run of the planner; set before numpy
# loads. Two test processes with two threads each on two cores take several times as long.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

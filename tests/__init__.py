"""Compiled modules are kept for the next run, and for the processes that tests start."""

import os
import sys

os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# The matrices are small: more than one BLAS thread costs several times the processor time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

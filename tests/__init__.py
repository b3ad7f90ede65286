"""Compiled modules are kept for the next run, and for the processes that tests start."""

import os
import sys
from pathlib import Path

os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
sys.pycache_prefix = str(Path(__file__).parent.parent / ".pytest_cache" / "compiled")
os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix
# The matrices are small: more than one BLAS thread costs several times the processor time.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

"""The sound room.

Its threads each multiply small matrices; BLAS must not start threads of its own for that (two for
each of ours, and a lock between them).  OpenBLAS reads this once, when NumPy is first imported.
"""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

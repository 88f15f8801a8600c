"""HTTP, command line and jobs; the only place where models and forecasting meet."""

import os

# small matrices: threads of the linear algebra only get in each other's way. It is read once, when numpy is loaded,
# and handed on to every process that is started.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

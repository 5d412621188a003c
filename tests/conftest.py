"""Puts the shared invented worlds where every folder of tests finds them."""

import os
import sys
from pathlib import Path

# Threads of linear algebra that fight for busy cores cost ten times what they save; numpy counts them when
# it is imported.
for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(name, "1")

for folder in ("truth", "hand"):
    sys.path.insert(0, str(Path(__file__).parent / folder))

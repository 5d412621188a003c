"""Puts the shared invented worlds where every folder of tests finds them."""

import sys
from pathlib import Path

for folder in ("truth", "hand"):
    sys.path.insert(0, str(Path(__file__).parent / folder))

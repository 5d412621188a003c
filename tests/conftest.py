"""Puts the shared invented world where every folder of tests finds it."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent / "truth"))

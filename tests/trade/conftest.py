"""The published cases are kept once, in tests/published, with their comparison."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "published"))

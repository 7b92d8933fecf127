"""The helpers of the other tests, for the machines here."""

import sys
from pathlib import Path

TESTS = Path(__file__).parents[1]
for folder in ("unit", "published"):
    sys.path.append(str(TESTS / folder))

"""Puts this folder on the path, so that tests and bench share the synthetic scans."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

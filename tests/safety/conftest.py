import sys
from pathlib import Path

# The small machine that the guard's tests use serves the core's tests as well.
sys.path.insert(0, str(Path(__file__).parent.parent / "guard"))

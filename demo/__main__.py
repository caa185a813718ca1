"""`python3 demo`: sets up its own environment, then runs the main job on the bench."""

import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / "bin" / "python"
STAMP = VENV / "demo-ready"


def set_up() -> None:
    """Make the environment when it is missing or older than pyproject.toml."""
    project = ROOT / "pyproject.toml"
    if STAMP.exists() and STAMP.stat().st_mtime >= project.stat().st_mtime:
        return
    print("setting up .venv (once; a few minutes on a slow line)", flush=True)
    if not PYTHON.exists():
        venv.create(VENV, with_pip=True)
    subprocess.run([PYTHON, "-m", "pip", "install", "--quiet", "-e", f"{ROOT}[pictures]"], check=True)
    STAMP.touch()


if __name__ == "__main__":
    set_up()
    sys.exit(subprocess.run([PYTHON, ROOT / "demo" / "fete.py", *sys.argv[1:]], check=False).returncode)

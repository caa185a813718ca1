"""`python3 demo`: sets up its own environment, then runs the main job on the bench.

python3 demo             the orchard fete: calibrate, pour, refuse, stop (about 75 s)
python3 demo evenings    two whole evenings in virtual time, with reports (about 30 s)
python3 demo twins       both evenings on eight lines, without and with twins on the spare lines: what guests wait
"""

import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def environment() -> Path:
    """`.venv`; for another Python than the one that made it, `.venv-3.13` or the like beside it."""
    first, own = ROOT / ".venv", f"{sys.version_info.major}.{sys.version_info.minor}"
    return first if not first.exists() or (first / "lib" / f"python{own}").exists() else ROOT / f".venv-{own}"


VENV = environment()
PYTHON = VENV / "bin" / "python"
STAMP = VENV / "demo-ready"


def set_up() -> None:
    """Make the environment when it is missing or older than pyproject.toml."""
    project = ROOT / "pyproject.toml"
    if STAMP.exists() and STAMP.stat().st_mtime >= project.stat().st_mtime:
        return
    print(f"setting up {VENV.name} (once; a few minutes on a slow line)", flush=True)
    if not PYTHON.exists():
        venv.create(VENV, with_pip=True)
    subprocess.run([PYTHON, "-m", "pip", "install", "--quiet", "-e", f"{ROOT}[pictures]"], check=True)
    STAMP.touch()


def main() -> int:
    """Set up, then run what is asked for."""
    words = sys.argv[1:]
    if words not in ([], ["evenings"]) and words[0] != "twins":
        print(__doc__, file=sys.stderr)
        return 2
    set_up()
    script = f"{words[0]}.py" if words else "fete.py"
    return subprocess.run([PYTHON, ROOT / "demo" / script, *words[1:]], check=False).returncode


if __name__ == "__main__":
    sys.exit(main())

"""`python3 tests`: sets up its own environment and runs the tests; other words run longer commands.

python3 tests                            lint, types, import contracts, tests
python3 tests benchmarks NAME [...]      figures of DESIGN section 7 (schedule, ...)
python3 tests mutations [...]            seeded mutations of every example file
python3 tests board --rig DIR [...]      an installation on an emulated board, its pins watched from outside
"""

import os
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
PYTHON = VENV / "bin" / "python"
STAMP = VENV / "tests-ready"


def set_up() -> None:
    """Make the environment when it is missing or older than pyproject.toml."""
    project = ROOT / "pyproject.toml"
    if STAMP.exists() and STAMP.stat().st_mtime >= project.stat().st_mtime:
        return
    print("setting up .venv (once; a few minutes on a slow line)", flush=True)
    if not PYTHON.exists():
        venv.create(VENV, with_pip=True)
    subprocess.run([PYTHON, "-m", "pip", "install", "--quiet", "-e", f"{ROOT}[test]"], check=True)
    STAMP.touch()


def run_tests(arguments: list[str]) -> int:
    """Lint, types and contracts first: they are quick, and say most about what is wrong."""
    tools = VENV / "bin"
    checks = [
        [tools / "ruff", "check", "."],
        [tools / "ruff", "format", "--check", "."],
        [tools / "mypy"],
        [tools / "lint-imports"],
    ]
    failed = [] if arguments else [check for check in checks if subprocess.run(check, cwd=ROOT).returncode]
    cores = str(os.cpu_count() or 1)
    tests = subprocess.run([PYTHON, "-m", "pytest", "-q", "-n", cores, "--dist", "loadscope", *arguments], cwd=ROOT).returncode
    for check in failed:
        print(f"failed: {' '.join(map(str, check[:2]))}", file=sys.stderr)
    return tests or (1 if failed else 0)


def main() -> int:
    """Set up, then run what is asked for."""
    set_up()
    words = sys.argv[1:]
    if words[:1] == ["benchmarks"]:
        if len(words) < 2 or not (ROOT / "tests" / "benchmarks" / f"{words[1]}.py").exists():
            names = sorted(path.stem for path in (ROOT / "tests" / "benchmarks").glob("[a-z]*.py"))
            print(f"usage: python3 tests benchmarks NAME; NAME is one of: {', '.join(names)}", file=sys.stderr)
            return 2
        return subprocess.run([PYTHON, ROOT / "tests" / "benchmarks" / f"{words[1]}.py", *words[2:]]).returncode
    if words[:1] == ["mutations"]:
        return subprocess.run([PYTHON, ROOT / "tests" / "mutations.py", *words[1:]]).returncode
    if words[:1] == ["board"]:
        return subprocess.run([PYTHON, ROOT / "tests" / "board", *words[1:]], check=False).returncode
    return run_tests(words)


if __name__ == "__main__":
    sys.exit(main())

"""`python3 tests`: sets up its own environment and runs the tests; a first word from COMMANDS runs a longer command.

python3 tests [PYTEST ARGUMENT ...]      lint, types, import contracts, then all tests (or only what is named)
python3 tests --python PATH [...]        the same with another Python, in an environment of its own
python3 tests benchmarks NAME [...]      figures beside their baselines (DEVELOPERS.md lists them)
"""

import os
import shutil
import subprocess
import sys
import venv
from pathlib import Path

TESTS = Path(__file__).resolve().parent
ROOT = TESTS.parent


def environment() -> Path:
    """`.venv`; for another Python than the one that made it, `.venv-3.13` or the like beside it."""
    first, own = ROOT / ".venv", f"{sys.version_info.major}.{sys.version_info.minor}"
    return first if not first.exists() or (first / "lib" / f"python{own}").exists() else ROOT / f".venv-{own}"


VENV = environment()
PYTHON = VENV / "bin" / "python"
STAMP = VENV / "tests-ready"
# Hundreds of processes are started: without bytecode each would compile all of the controller anew.
ENVIRONMENT = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}

# Longer commands, each with a seed where chance plays a part: word -> module in tests/.
COMMANDS = {
    "mutations": "mutations",
    "fuzz": "fuzz",
    "mutants": "mutants",
    "campaign": "campaign",
    "power-cut": "power_cut",
    "pictures": "page.pictures",
    "plans": "sequencing.drawn_plans",
    "board": "board",
    "driver": "board.driver_traces",
}


def set_up() -> None:
    """Make the environment when it is missing or older than pyproject.toml."""
    project = ROOT / "pyproject.toml"
    if STAMP.exists() and STAMP.stat().st_mtime >= project.stat().st_mtime:
        return
    print(f"setting up {VENV.name} (once; a few minutes on a slow line)", flush=True)
    if not PYTHON.exists():
        venv.create(VENV, with_pip=True)
    subprocess.run([PYTHON, "-m", "pip", "install", "--quiet", "-e", f"{ROOT}[test]"], check=True)
    STAMP.touch()


def run(*command: str | Path) -> int:
    """Run a command in the project's folder; its exit code."""
    return subprocess.run(command, cwd=ROOT, env=ENVIRONMENT, check=False).returncode


def run_benchmark(arguments: list[str]) -> int:
    """Run one benchmark by its name."""
    names = sorted(path.stem for path in (TESTS / "benchmarks").glob("[a-z]*.py"))
    if not arguments or arguments[0] not in names:
        print(f"usage: python3 tests benchmarks NAME; NAME is one of: {', '.join(names)}", file=sys.stderr)
        return 2
    return run(PYTHON, "-m", f"tests.benchmarks.{arguments[0]}", *arguments[1:])


def run_tests(arguments: list[str]) -> int:
    """Lint, types and contracts first when nothing else is named: they are quick, and say most about what is wrong."""
    tools = VENV / "bin"
    checks: list[list[str | Path]] = [
        [tools / "ruff", "check", "."],
        [tools / "ruff", "format", "--check", "."],
        [tools / "mypy"],
        [tools / "lint-imports"],
    ]
    failed: list[list[str | Path]] = []
    if not arguments:
        # Beside the checks, the bytecode of all tests: without it every worker would make all of it at its start.
        collect = (PYTHON, "-m", "pytest", "-q", "--collect-only")
        collected = subprocess.Popen(collect, cwd=ROOT, env=ENVIRONMENT, stdout=subprocess.DEVNULL)
        failed = [check for check in checks if run(*check) != 0]
        collected.wait()
    workers = str(2 * (os.cpu_count() or 1))  # many tests wait for a process or a browser
    # In the order of folders: by default the modules with few tests come last, and the slowest are among them.
    spread = ("--dist", "loadscope", "--no-loadscope-reorder")
    tests = run(PYTHON, "-m", "pytest", "-q", "-n", workers, *spread, *arguments)
    for check in failed:
        print(f"failed: {' '.join(map(str, check[:2]))}", file=sys.stderr)
    return tests or (1 if failed else 0)


def main() -> int:
    """Set up, then run what is asked for."""
    words = sys.argv[1:]
    if words[:1] == ["--python"]:
        if len(words) < 2 or not shutil.which(words[1]):
            print("usage: python3 tests --python PATH [...]; PATH is a Python, 3.11 or newer", file=sys.stderr)
            return 2
        return subprocess.run([words[1], TESTS, *words[2:]], check=False).returncode
    set_up()
    if words[:1] == ["benchmarks"]:
        return run_benchmark(words[1:])
    if words and words[0] in COMMANDS:
        return run(PYTHON, "-m", f"tests.{COMMANDS[words[0]]}", *words[1:])
    return run_tests(words)


if __name__ == "__main__":
    sys.exit(main())

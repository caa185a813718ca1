"""Each Python gets an environment of its own, for the tests and for the demo."""

import runpy
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
OWN = f"{sys.version_info.major}.{sys.version_info.minor}"


@pytest.fixture(params=["tests", "demo"])
def environment(request, tmp_path):
    """What the entry point takes as its environment in an empty folder."""
    found = runpy.run_path(str(ROOT / request.param / "__main__.py"))["environment"]
    found.__globals__["ROOT"] = tmp_path
    return found


@pytest.mark.parametrize(
    ("made_by", "name"), [(None, ".venv"), (f"python{OWN}", ".venv"), ("python3.10", f".venv-{OWN}")]
)
def test_the_first_python_owns_the_plain_name(environment, tmp_path, made_by, name):
    if made_by:
        (tmp_path / ".venv/lib" / made_by).mkdir(parents=True)
    assert environment() == tmp_path / name


@pytest.mark.parametrize("words", [["--python"], ["--python", "/no/such/python"]])
def test_a_python_that_is_not_there_is_a_wrong_usage(monkeypatch, capsys, words):
    main = runpy.run_path(str(ROOT / "tests/__main__.py"))["main"]
    monkeypatch.setattr(sys, "argv", ["tests", *words])
    assert main() == 2
    assert "PATH is a Python, 3.11 or newer" in capsys.readouterr().err

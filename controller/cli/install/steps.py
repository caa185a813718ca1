"""The steps of an installation as values, and their execution."""

import shutil
import subprocess
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from controller.errors import TundishError
from controller.model.fields import Value


class MakeFolder(Value, frozen=True, kw_only=True, tag="folder"):
    """A folder of root's that everyone may read."""

    path: Path


class WriteFile(Value, frozen=True, kw_only=True, tag="file"):
    """A file of root's that everyone may read, with this content, whatever was there."""

    path: Path
    content: str


class KeepFile(Value, frozen=True, kw_only=True, tag="keep"):
    """A file that is there and stays as it is."""

    path: Path


class MakeLink(Value, frozen=True, kw_only=True, tag="link"):
    """A symbolic link, whatever was there."""

    path: Path
    target: Path


class Remove(Value, frozen=True, kw_only=True, tag="remove"):
    """A file, link or folder with all that is in it, if it is there."""

    path: Path


class RunCommand(Value, frozen=True, kw_only=True, tag="run"):
    """A command; with `may_fail`, its failure stops nothing (something already gone when it is to be removed)."""

    words: tuple[str, ...]
    may_fail: bool = False


Act = MakeFolder | WriteFile | KeepFile | MakeLink | Remove | RunCommand


class Step(Value, frozen=True, kw_only=True):
    """One thing to do and why; `is_done` when the machine is so already."""

    act: Act
    why: str
    is_done: bool = False

    @property
    def what(self) -> str:
        """The act in words, with its path or command."""
        match self.act:
            case MakeFolder(path=path):
                return f"make the folder {path}"
            case WriteFile(path=path):
                return f"write {path}"
            case KeepFile(path=path):
                return f"keep {path}"
            case MakeLink(path=path, target=target):
                return f"link {path} to {target}"
            case Remove(path=path):
                return f"remove {path}"
            case RunCommand(words=words):
                return f"run {' '.join(words)}"


def run_command(words: Sequence[str]) -> None:
    """Run a command to its end; raises TundishError with what it said when it fails."""
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=False)
    except OSError as error:
        raise TundishError(f"cannot run {words[0]}: {error.strerror}") from error
    if done.returncode:
        said = (done.stderr or done.stdout).strip()
        raise TundishError(f"{' '.join(words)} failed with exit code {done.returncode}: {said or 'it said nothing'}")


def carry_out(step: Step, root: Path, run: Callable[[Sequence[str]], None] = run_command) -> None:
    """Do one step below the folder `root` ("/" on the machine itself). Raises TundishError when it cannot be done.

    A file is replaced in one motion: whoever reads it sees the old or the new one, never a half.
    """
    if step.is_done:
        return
    try:
        _do(step.act, root, run)
    except OSError as error:
        raise TundishError(f"cannot {step.what}: {error.strerror or error}") from error


def below(root: Path, path: Path) -> Path:
    """Where the absolute path lies below `root`."""
    return root / path.relative_to("/")


def _do(act: Act, root: Path, run: Callable[[Sequence[str]], None]) -> None:
    match act:
        case MakeFolder(path=path):
            below(root, path).mkdir(mode=0o755, parents=True, exist_ok=True)
        case WriteFile(path=path, content=content):
            _write(below(root, path), content)
        case KeepFile():
            pass
        case MakeLink(path=path, target=target):
            place = below(root, path)
            place.parent.mkdir(parents=True, exist_ok=True)
            place.unlink(missing_ok=True)
            place.symlink_to(target)
        case Remove(path=path):
            _remove(below(root, path))
        case RunCommand(words=words, may_fail=may_fail):
            try:
                run(words)
            except TundishError:
                if not may_fail:
                    raise


def _write(path: Path, content: str) -> None:
    path.parent.mkdir(mode=0o755, parents=True, exist_ok=True)
    new = path.with_name(f".{path.name}.new")
    new.write_text(content, encoding="utf-8")
    new.chmod(0o644)
    new.replace(path)


def _remove(path: Path) -> None:
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
        if path.parent.name.endswith(".service.d"):  # a unit's folder of additions goes with the last of them
            with suppress(OSError):
                path.parent.rmdir()

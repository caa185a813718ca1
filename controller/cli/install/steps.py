"""The steps of an installation as values, and their execution."""

import shutil
import subprocess
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path

from controller.errors import TundishError
from controller.model.fields import Value

Run = Callable[[Sequence[str]], None]


class MakeFolder(Value, frozen=True, kw_only=True, tag="folder"):
    """A folder of root's that everyone may read."""

    path: Path

    def __str__(self) -> str:
        return f"make the folder {self.path}"

    def do(self, root: Path, _: Run) -> None:
        """Make it below `root`."""
        below(root, self.path).mkdir(mode=0o755, parents=True, exist_ok=True)


class WriteFile(Value, frozen=True, kw_only=True, tag="file"):
    """A file of root's that everyone may read, with this content, whatever was there."""

    path: Path
    content: str

    def __str__(self) -> str:
        return f"write {self.path}"

    def do(self, root: Path, _: Run) -> None:
        """Write it below `root` in one motion: whoever reads it sees the old or the new one, never a half."""
        path = below(root, self.path)
        path.parent.mkdir(mode=0o755, parents=True, exist_ok=True)
        new = path.with_name(f".{path.name}.new")
        new.write_text(self.content, encoding="utf-8")
        new.chmod(0o644)
        new.replace(path)


class KeepFile(Value, frozen=True, kw_only=True, tag="keep"):
    """A file that is there and stays as it is."""

    path: Path

    def __str__(self) -> str:
        return f"keep {self.path}"

    def do(self, _root: Path, _: Run) -> None:
        """Nothing is to be done."""


class MakeLink(Value, frozen=True, kw_only=True, tag="link"):
    """A symbolic link, whatever was there."""

    path: Path
    target: Path

    def __str__(self) -> str:
        return f"link {self.path} to {self.target}"

    def do(self, root: Path, _: Run) -> None:
        """Make it below `root`."""
        place = below(root, self.path)
        place.parent.mkdir(parents=True, exist_ok=True)
        place.unlink(missing_ok=True)
        place.symlink_to(self.target)


class Remove(Value, frozen=True, kw_only=True, tag="remove"):
    """A file, link or folder with all that is in it, if it is there."""

    path: Path

    def __str__(self) -> str:
        return f"remove {self.path}"

    def do(self, root: Path, _: Run) -> None:
        """Remove it below `root`; a unit's folder of additions goes with the last of them."""
        path = below(root, self.path)
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
            return
        path.unlink(missing_ok=True)
        if path.parent.name.endswith(".service.d"):
            with suppress(OSError):
                path.parent.rmdir()


class RunCommand(Value, frozen=True, kw_only=True, tag="run"):
    """A command; with `may_fail`, its failure stops nothing (something already gone when it is to be removed)."""

    words: tuple[str, ...]
    may_fail: bool = False

    def __str__(self) -> str:
        return f"run {' '.join(self.words)}"

    def do(self, _root: Path, run: Run) -> None:
        """Run it to its end."""
        with suppress(*([TundishError] if self.may_fail else [])):
            run(self.words)


class Step(Value, frozen=True, kw_only=True):
    """One thing to do and why; `is_done` when the machine is so already."""

    act: MakeFolder | WriteFile | KeepFile | MakeLink | Remove | RunCommand
    why: str
    is_done: bool = False


def run_command(words: Sequence[str]) -> None:
    """Run a command to its end; raises TundishError with what it said when it fails."""
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=False)
    except OSError as error:
        raise TundishError(f"cannot run {words[0]}: {error.strerror}") from error
    if done.returncode:
        said = (done.stderr or done.stdout).strip()
        raise TundishError(f"{' '.join(words)} failed with exit code {done.returncode}: {said or 'it said nothing'}")


def carry_out(step: Step, root: Path, run: Run = run_command) -> None:
    """Do one step below the folder `root` ("/" on the machine itself). Raises TundishError when it cannot be done."""
    if step.is_done:
        return
    try:
        step.act.do(root, run)
    except OSError as error:
        raise TundishError(f"cannot {step.act}: {error.strerror or error}") from error


def below(root: Path, path: Path) -> Path:
    """Where the absolute path lies below `root`."""
    return root / path.relative_to("/")

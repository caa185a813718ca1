"""The commands `install` and `uninstall`, into the root folder of another system."""

import os
import shutil
import subprocess
from pathlib import Path

import pytest
from click.testing import CliRunner

from controller.cli.examples import shared_folder
from controller.cli.install.commands import install, uninstall
from controller.cli.install.facts import look_at, read_shipped, systemd_version
from controller.cli.install.plan import paths
from controller.cli.install.steps import MakeLink, Remove, RunCommand, Step, WriteFile, below, carry_out
from controller.errors import FileProblems, Refused, TundishError

TOOLS = ("systemd-sysusers", "systemctl")
needs_root = pytest.mark.skipif(os.geteuid() != 0, reason="--apply needs root")
needs_tools = pytest.mark.skipif(
    any(shutil.which(tool) is None for tool in TOOLS), reason=f"{' or '.join(TOOLS)} is not installed"
)
CHOICE = ["--profile", "six_line", "--book", "orchard_fete"]


@pytest.fixture
def system(tmp_path):
    """The root folder of a system with systemd."""
    library = tmp_path / "usr/lib/aarch64-linux-gnu/systemd/libsystemd-shared-252.so"
    library.parent.mkdir(parents=True)
    library.touch()
    (tmp_path / "etc").mkdir()
    return tmp_path


def run(command, *words):
    result = CliRunner().invoke(command, words, catch_exceptions=False)
    assert result.exit_code == 0
    return result.output


def files(root):
    return {path.relative_to(root): path.read_bytes() for path in root.rglob("*") if path.is_file()}


def test_without_apply_nothing_is_changed(system):
    before = files(system)
    output = run(install, *CHOICE, "--root", str(system))
    assert "write /etc/systemd/system/tundish-guard.service" in output
    assert "Nothing was changed" in output
    assert files(system) == before


@needs_root
@needs_tools
def test_apply_does_what_the_dry_run_said_and_again_changes_nothing(system):
    promised = [line for line in run(install, *CHOICE, "--root", str(system)).splitlines() if " write /" in line]
    run(install, *CHOICE, "--apply", "--root", str(system))
    for line in promised:
        assert (system / line.split(" write /")[1]).is_file()
    wants = system / "etc/systemd/system/multi-user.target.wants"
    assert {path.name for path in wants.iterdir()} == {"tundish-guard.service", "tundish-engine.service"}
    accounts = [line.split(":")[0] for line in (system / "etc/passwd").read_text().splitlines()]
    assert {"tundish-guard", "tundish-engine"} <= set(accounts)
    members = {line.split(":")[0]: line.split(":")[3] for line in (system / "etc/group").read_text().splitlines()}
    assert members["gpio"] == "tundish-guard"
    before = files(system)
    run(install, "--apply", "--root", str(system))
    assert files(system) == before


@needs_root
@needs_tools
def test_an_upgrade_replaces_units_and_keeps_what_a_person_edited(system):
    run(install, *CHOICE, "--apply", "--root", str(system))
    unit, book = system / "etc/systemd/system/tundish-guard.service", system / "etc/tundish/book.yaml"
    fresh = unit.read_text()
    unit.write_text("of an older version")
    edited = book.read_text() + "# mine\n"
    book.write_text(edited)
    output = run(install, *CHOICE, "--apply", "--root", str(system))
    assert unit.read_text() == fresh
    assert book.read_text() == edited
    assert "it differs from the one chosen" in output


@needs_root
@needs_tools
def test_uninstall_keeps_records_and_configuration_and_purge_takes_them(system):
    run(install, *CHOICE, "--apply", "--root", str(system))
    ledger = system / "var/lib/tundish/engine/ledger.db"
    ledger.parent.mkdir(parents=True)
    ledger.write_text("records")
    run(uninstall, "--apply", "--root", str(system))
    left = files(system)
    assert Path("etc/tundish/profile.yaml") in left
    assert Path("var/lib/tundish/engine/ledger.db") in left
    assert not [path for path in left if path.suffix == ".service"]
    run(uninstall, "--purge", "--apply", "--root", str(system))
    assert not [path for path in files(system) if "tundish" in str(path)]


def test_a_drop_in_folder_is_removed_with_its_last_file(tmp_path):
    folder = Path("/etc/systemd/system/tundish-guard.service.d")
    for name in ("back-off.conf", "mine.conf"):
        carry_out(Step(act=WriteFile(path=folder / name, content="[Service]\n"), why=""), tmp_path)
    carry_out(Step(act=Remove(path=folder / "back-off.conf"), why=""), tmp_path)
    assert [path.name for path in below(tmp_path, folder).iterdir()] == ["mine.conf"]
    carry_out(Step(act=Remove(path=folder / "mine.conf"), why=""), tmp_path)
    assert not below(tmp_path, folder).exists()
    assert below(tmp_path, folder.parent).exists()


def test_a_profile_of_the_bench_is_refused_unless_asked_for(system):
    with pytest.raises(Refused) as refusal:
        run(install, "--profile", "bench_six_line", "--book", "orchard_fete", "--root", str(system))
    assert refusal.value.rule == "install_bench"
    run(install, "--profile", "bench_six_line", "--book", "orchard_fete", "--simulated", "--root", str(system))


def test_files_with_mistakes_are_refused_with_every_one_of_them(system, tmp_path):
    broken = tmp_path / "broken.yaml"
    broken.write_text("machine: 7\npumps: many\n")
    with pytest.raises(FileProblems) as refusal:
        run(install, "--profile", str(broken), "--book", "orchard_fete", "--root", str(system))
    assert len(refusal.value.problems) > 1


def test_the_file_in_place_is_the_one_that_is_checked(system):
    """An installation over a profile that no longer fits must not start services that cannot start."""
    there = system / "etc/tundish/profile.yaml"
    there.parent.mkdir()
    there.write_text("machine: 7\n")
    with pytest.raises(FileProblems) as refusal:
        run(install, *CHOICE, "--root", str(system))
    assert {problem.file for problem in refusal.value.problems} == {str(there)}


@pytest.mark.parametrize(("words", "named"), [([], "six_line"), (["--profile", "six_line"], "orchard_fete")])
def test_without_a_choice_the_first_installation_is_refused_and_names_the_examples(system, words, named):
    with pytest.raises(Refused) as refusal:
        run(install, *words, "--root", str(system))
    assert named in refusal.value.remedy


def test_an_unknown_example_is_refused_with_all_names(system):
    words = ("--profile", "nine_line", "--book", "orchard_fete", "--root", str(system))
    shown = CliRunner().invoke(install, words)
    assert shown.exit_code == 2
    assert "six_line" in shown.output


def test_a_system_without_systemd_is_refused(tmp_path):
    with pytest.raises(Refused) as refusal:
        run(install, *CHOICE, "--root", str(tmp_path))
    assert refusal.value.rule == "install_systemd"


def test_the_version_is_read_from_the_system_itself(system):
    assert systemd_version(system) == 252
    (system / "usr/lib/systemd").mkdir()
    (system / "usr/lib/systemd/libsystemd-shared-257.9-1~deb13u1.so").touch()
    assert systemd_version(system) == 257


def test_a_failing_command_is_reported_with_its_output():
    with pytest.raises(TundishError, match="exit code 3: no such luck"):
        carry_out(Step(act=RunCommand(words=("sh", "-c", "echo no such luck >&2; exit 3")), why=""), Path("/"))
    carry_out(Step(act=RunCommand(words=("false",), may_fail=True), why=""), Path("/"))


def test_a_missing_command_is_reported():
    with pytest.raises(TundishError, match="cannot run no-such-command"):
        carry_out(Step(act=RunCommand(words=("no-such-command",)), why=""), Path("/"))


def test_an_unwritable_file_is_reported_with_its_path(tmp_path):
    (tmp_path / "etc").write_text("a file, not a folder")
    with pytest.raises(TundishError, match=r"cannot write /etc/tundish/book\.yaml"):
        carry_out(Step(act=WriteFile(path=Path("/etc/tundish/book.yaml"), content=""), why=""), tmp_path)


def test_a_link_replaces_what_was_there(tmp_path):
    path, target = Path("/usr/local/bin/tundish"), Path("/opt/tundish/bin/tundish")
    for old in ("/elsewhere", "/opt/tundish/bin/tundish"):
        carry_out(Step(act=MakeLink(path=path, target=Path(old)), why=""), tmp_path)
    carry_out(Step(act=MakeLink(path=path, target=target), why=""), tmp_path)
    assert look_at(tmp_path, paths()).links == {path: target}


@pytest.mark.skipif(shutil.which("bash") is None, reason="bash is not installed")
def test_bash_accepts_the_completion():
    script = read_shipped(shared_folder()).completions["bash"]
    subprocess.run(["bash", "-n"], input=script, text=True, check=True)
    assert "complete " in script


def test_a_profile_with_a_scale_gets_its_service(system):
    output = run(install, "--profile", "eight_line", "--book", "harvest_supper", "--root", str(system))
    assert "write /etc/systemd/system/tundish-scale.service" in output

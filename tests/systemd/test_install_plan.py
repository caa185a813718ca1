"""What an installation would do, from facts alone."""

from pathlib import Path

import msgspec
import pytest

from controller.cli.examples import shared_folder
from controller.cli.install import plan as install_plan
from controller.cli.install.facts import InstalledSystem, Shipped, read_shipped
from controller.cli.install.steps import KeepFile, Remove, RunCommand, WriteFile
from controller.errors import Refused
from controller.model.scale import Scale

ROOT = Path("/")
PROGRAM = Path("/opt/tundish/bin/tundish")
FRESH = InstalledSystem(systemd=252, is_running=True, texts={}, links={}, folders=frozenset())


@pytest.fixture(scope="module")
def shipped() -> Shipped:
    return read_shipped(shared_folder())


def plan(shipped, machine=FRESH, program=PROGRAM, root=ROOT):
    return install_plan.plan_install(
        machine=machine, shipped=shipped, program=program, profile="P", book="B", root=root
    )


def written(steps):
    return {step.act.path: step.act.content for step in steps if isinstance(step.act, WriteFile) and not step.is_done}


def commands(steps):
    return [" ".join(step.act.words) for step in steps if isinstance(step.act, RunCommand)]


def after(steps, machine=FRESH):
    """The machine once these steps are done."""
    links = {step.act.path: step.act.target for step in steps if hasattr(step.act, "target")}
    texts = machine.texts | written(steps)
    return msgspec.structs.replace(machine, texts=texts, links=links, folders=frozenset({install_plan.CONFIG}))


def test_a_fresh_machine_gets_configuration_units_accounts_and_completion(shipped):
    steps = plan(shipped)
    assert written(steps).keys() == {
        Path("/etc/tundish/profile.yaml"),
        Path("/etc/tundish/book.yaml"),
        Path("/etc/sysusers.d/tundish.conf"),
        Path("/etc/tmpfiles.d/tundish.conf"),
        Path("/etc/udev/rules.d/60-tundish-gpio.rules"),
        Path("/etc/systemd/system/tundish-guard.service"),
        Path("/etc/systemd/system/tundish-engine.service"),
        Path("/usr/local/share/bash-completion/completions/tundish"),
        Path("/usr/local/share/zsh/site-functions/_tundish"),
        Path("/etc/fish/completions/tundish.fish"),
    }
    assert all(step.why for step in steps)


def test_accounts_exist_before_the_services_start(shipped):
    words = commands(plan(shipped))
    order = ["systemd-sysusers tundish.conf", "systemctl daemon-reload"]
    order += [f"systemctl {verb} tundish-guard.service tundish-engine.service" for verb in ("enable", "restart")]
    assert [one for one in words if one in order] == order


def test_all_files_are_written_before_the_first_command(shipped):
    kinds = [isinstance(step.act, RunCommand) for step in plan(shipped)]
    assert kinds == sorted(kinds)


def test_a_second_time_no_file_is_touched(shipped):
    again = plan(shipped, after(plan(shipped)))
    assert written(again) == {}
    assert all(step.is_done for step in again if not isinstance(step.act, RunCommand))


def test_an_own_profile_is_kept_and_the_difference_shown(shipped):
    mine = msgspec.structs.replace(FRESH, texts={install_plan.PROFILE: "mine"})
    steps = plan(shipped, mine)
    kept = [step for step in steps if isinstance(step.act, KeepFile)]
    assert [step.act.path for step in kept] == [install_plan.PROFILE]
    assert "differs" in kept[0].why
    assert install_plan.PROFILE not in written(steps)


def test_units_start_the_program_where_it_lies(shipped):
    units = written(plan(shipped, program=Path("/srv/machine/bin/tundish")))
    for name in install_plan.SERVICES:
        text = units[install_plan.UNITS / name]
        assert "ExecStart=/srv/machine/bin/tundish " in text
        assert "/opt/tundish" not in text


@pytest.mark.parametrize(("version", "is_laid"), [(252, False), (253, False), (254, True), (257, True)])
def test_restart_back_off_is_set_only_where_systemd_knows_it(shipped, version, is_laid):
    there = written(plan(shipped, msgspec.structs.replace(FRESH, systemd=version)))
    assert [install_plan.back_off_path(one) in there for one in install_plan.SERVICES] == [is_laid, is_laid]


def test_nothing_is_started_inside_an_image(shipped, tmp_path):
    machine = msgspec.structs.replace(FRESH, is_running=False)
    words = commands(plan(shipped, machine, root=tmp_path))
    assert words == [
        f"systemd-sysusers --root={tmp_path} tundish.conf",
        f"systemctl --root={tmp_path} enable tundish-guard.service tundish-engine.service",
    ]


@pytest.mark.parametrize("change", [{"systemd": None}, {"is_running": False}])
def test_refused_without_systemd(shipped, change):
    with pytest.raises(Refused) as refusal:
        plan(shipped, msgspec.structs.replace(FRESH, **change))
    assert refusal.value.rule == "install_systemd"
    assert "tundish up" in refusal.value.remedy


@pytest.mark.parametrize("home", ["/home/ada/venv/bin/tundish", "/root/venv/bin/tundish"])
def test_refused_from_a_home_that_the_sandbox_hides(shipped, home):
    with pytest.raises(Refused) as refusal:
        plan(shipped, program=Path(home))
    assert refusal.value.rule == "install_place"
    assert home in refusal.value.reason


def test_an_upgrade_stops_keeps_a_backup_and_then_installs(shipped):
    before = msgspec.structs.replace(FRESH, texts={install_plan.PROFILE: "P", install_plan.BOOK: "B"})
    given = {"machine": before, "shipped": shipped, "program": PROGRAM, "stamp": "20260101-120000"}
    steps = install_plan.plan_upgrade(**given, has_records=True)
    archive = "/var/lib/tundish/backups/before-upgrade-20260101-120000.tar.gz"
    assert [str(step.act) for step in steps[:2]] == [
        "run systemctl stop tundish-engine.service tundish-guard.service",
        f"run {PROGRAM} backup {archive}",
    ]
    assert steps[2:] == install_plan.plan_upgrade(**given, has_records=False) == plan(shipped, before)


def test_removal_stops_first_and_keeps_the_data(shipped):
    steps = install_plan.plan_uninstall(machine=after(plan(shipped)), root=ROOT, purge=False)
    assert commands(steps)[0] == "systemctl disable --now tundish-engine.service tundish-guard.service"
    removed = {step.act.path for step in steps if isinstance(step.act, Remove)}
    assert not {install_plan.CONFIG, install_plan.STATE, install_plan.PROFILE, install_plan.BOOK} & removed


def test_removal_undoes_every_file_of_the_installation(shipped):
    machine = msgspec.structs.replace(FRESH, systemd=254)
    steps = install_plan.plan_uninstall(machine=after(plan(shipped, machine)), root=ROOT, purge=False)
    removed = {step.act.path for step in steps if isinstance(step.act, Remove) and not step.is_done}
    configuration = {install_plan.PROFILE, install_plan.BOOK}
    assert removed == set(written(plan(shipped, machine))) - configuration | {install_plan.COMMAND}


def test_a_removal_closes_the_local_network_for_the_next_installation():
    machine = msgspec.structs.replace(FRESH, texts={install_plan.LAN: "opened"})
    steps = install_plan.plan_uninstall(machine=machine, root=ROOT, purge=False)
    assert next(step.act for step in steps if not step.is_done) == Remove(path=install_plan.LAN)
    assert install_plan.LAN in install_plan.paths()


def test_purge_takes_data_and_accounts_but_not_the_boards_own_group(shipped):
    steps = install_plan.plan_uninstall(machine=after(plan(shipped)), root=ROOT, purge=True)
    removed = {step.act.path for step in steps if isinstance(step.act, Remove)}
    assert {install_plan.CONFIG, install_plan.STATE} <= removed
    assert "userdel tundish-guard" in commands(steps)
    assert not [one for one in commands(steps) if "gpio" in one]


def test_removal_of_nothing_runs_no_service_command():
    steps = install_plan.plan_uninstall(machine=FRESH, root=ROOT, purge=False)
    assert commands(steps) == ["systemctl daemon-reload"]
    assert all(step.is_done for step in steps if isinstance(step.act, Remove))


def with_scale(shipped, machine=FRESH, **figures):
    scale = Scale(converter="i2c", capacity_g=5000.0, **figures)
    return install_plan.plan_install(
        machine=machine, shipped=shipped, program=PROGRAM, profile="P", book="B", root=ROOT, scale=scale
    )


def test_a_scale_brings_its_service_with_its_bus_alone(shipped):
    steps = with_scale(shipped, bus=3)
    unit = written(steps)[Path("/etc/systemd/system/tundish-scale.service")]
    assert "DeviceAllow=/dev/i2c-3 rw" in unit
    assert "i2c-1" not in unit
    assert Path("/etc/udev/rules.d/60-tundish-scale.rules") in written(steps)
    assert written(steps)[Path("/etc/modules-load.d/tundish-scale.conf")].endswith("\ni2c-dev\n")
    assert commands(steps)[0] == "modprobe i2c-dev"  # before the device rules are applied
    enabled = "systemctl enable tundish-guard.service tundish-engine.service tundish-scale.service"
    assert enabled in commands(steps)
    assert written(with_scale(shipped, after(steps), bus=3)) == {}


def test_a_profile_without_its_scale_loses_the_service(shipped):
    there = after(with_scale(shipped))
    steps = plan(shipped, there)
    assert "systemctl disable --now tundish-scale.service" in commands(steps)
    gone = {step.act.path for step in steps if isinstance(step.act, Remove)}
    assert gone == {path for path, _ in install_plan.SCALE_FILES.values()}


def test_a_removal_takes_the_scale_with_it(shipped):
    there = after(with_scale(shipped))
    steps = install_plan.plan_uninstall(machine=there, root=ROOT, purge=False)
    assert "systemctl disable --now tundish-scale.service" in commands(steps)
    gone = {step.act.path for step in steps if isinstance(step.act, Remove) and not step.is_done}
    assert {path for path, _ in install_plan.SCALE_FILES.values()} <= gone

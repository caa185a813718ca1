"""`tundish new`: whatever is answered, the files are checked, and nothing of one's own is overwritten."""

import pytest
from click.testing import CliRunner

from controller.cli import main
from controller.cli.setup.new_files import free_gpios
from controller.config import load
from controller.errors import TundishError
from controller.model.header import HEADER

LIQUIDS = [
    "\n".join(("apple juice", "0 %", "3 days", "none", "3 L")),
    "\n".join(("sloe gin", "26 %", "26 weeks", "milk, sulphites", "700 mL")),
]


def answer(folder, *words):
    return CliRunner().invoke(main, ("new", str(folder)), input="\n".join((*words, "")))


def machine(name="my machine", lines="6", level="low", supply="5 A", glass="y"):
    return (name, "y", "", level, "350 mL/min", "0.6 A", supply, "3 mm", glass, lines)


def test_enter_to_every_question_gives_files_that_can_be_used(tmp_path):
    shown = answer(tmp_path / "mine", *[""] * 60)
    assert shown.exit_code == 0, shown.output
    profile, book, _ = load(tmp_path / "mine" / "profile.yaml", tmp_path / "mine" / "book.yaml")
    assert (profile.board.backend, len(profile.lines), len(book.lines)) == ("bench", 6, 6)
    assert profile.inputs.glass is not None
    assert {path.name for path in (tmp_path / "mine").iterdir()} == {
        "profile.yaml", "book.yaml", "profile.schema.json", "book.schema.json",
    }  # fmt: skip


def test_the_answers_stand_in_the_files(tmp_path):
    shown = answer(tmp_path, *machine('Ada\'s "tap": no. 1', lines="2", level="high", glass="n"), *LIQUIDS)
    assert shown.exit_code == 0, shown.output
    profile, book, _ = load(tmp_path / "profile.yaml", tmp_path / "book.yaml")
    assert profile.machine == 'Ada\'s "tap": no. 1'
    assert profile.relay_board.active_level == "high"
    assert profile.inputs.glass is None
    pump = profile.lines[1].pump
    assert (pump.nominal_flow_ml_s, pump.run_a) == (pytest.approx(350 / 60), 0.6)
    gin = book.liquid("sloe gin")
    assert (gin.abv_percent, gin.allergens, gin.opened_life_s) == (26.0, ("milk", "sulphites"), 26 * 7 * 86400.0)
    assert [one.container_ml for one in book.lines] == [3000.0, 700.0]


@pytest.mark.parametrize("level", ["low", "high"])
@pytest.mark.parametrize("lines", [1, 8, 16])
def test_no_relay_pulls_in_at_boot_whatever_the_machine(tmp_path, lines, level):
    """`load` refuses a relay that neither the pulls nor a boot line hold off."""
    shown = answer(tmp_path, *machine(lines=str(lines), level=level, supply="20 A"), *[""] * 5 * lines)
    assert shown.exit_code == 0, shown.output
    profile, _, _ = load(tmp_path / "profile.yaml", tmp_path / "book.yaml")
    assert len(profile.lines) == lines


def test_pins_that_the_pulls_hold_off_come_first_and_buses_last():
    low = free_gpios("low", 7)
    assert {HEADER[gpio].reset_pull for gpio in low} == {"up"}
    assert low[:3] == [4, 5, 6]
    assert all(HEADER[gpio].bus == "" for gpio in free_gpios("high", 10))
    with pytest.raises(TundishError, match="24 GPIOs left for 40 relays"):
        free_gpios("low", 40)


def test_a_number_without_its_unit_is_asked_again(tmp_path):
    shown = answer(tmp_path, "mine", "y", "", "low", "350", "350 mL/min", "0,6", "0.6 A", "", "", "", "1", *[""] * 20)
    assert shown.exit_code == 0, shown.output
    assert "has no unit" in shown.output


def test_a_supply_that_cannot_feed_one_pump_is_named_with_its_figures_and_the_files_stay_to_be_corrected(tmp_path):
    shown = answer(tmp_path, *machine(supply="0.6 A"), *[""] * 40)
    assert shown.exit_code == 2
    assert "cannot run even alone" in shown.output
    assert (tmp_path / "profile.yaml").exists()


def test_nothing_is_overwritten(tmp_path):
    (tmp_path / "book.yaml").write_text("mine", encoding="utf-8")
    shown = answer(tmp_path)
    assert shown.exit_code == 1
    assert "are there already" in shown.output
    assert (tmp_path / "book.yaml").read_text(encoding="utf-8") == "mine"
    assert not (tmp_path / "profile.yaml").exists()

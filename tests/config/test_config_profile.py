"""What a profile may not say: every refusal with its place, its numbers and the remedy."""

import csv

import pytest

from controller.config import load_profile
from controller.model.header import HEADER
from tests.config.faulty_files import HERE, PROFILE, ROOT, assert_refused, change, profile_problems

TEXT = PROFILE.read_text(encoding="utf-8")
GPIO_6 = "gpio: 8\n    channel: 6"
CHIP = "  chip: pinctrl-bcm2835 "
TUBE_6 = "{bore: 3 mm, suction: 0.6 m, delivery: 0.7 m, lift: 0.25 m}"

PINS = [
    (GPIO_6, f"gpio: {HERE}7\n    channel: 6", ("line 6: GPIO 7 already serves line 5", "line 80 of the file")),
    (GPIO_6, f"gpio: {HERE}0\n    channel: 6", ("line 6: GPIO 0", "ID EEPROM")),
    (GPIO_6, f"gpio: {HERE}1\n    channel: 6", ("line 6: GPIO 1", "ID EEPROM")),
    (GPIO_6, f"gpio: {HERE}28\n    channel: 6", ("line 6 gpio", "28", "27", "header pin 28 is GPIO 1")),
    (GPIO_6, f"gpio: {HERE}40\n    channel: 6", ("header pin 40 is GPIO 21",)),
    (GPIO_6, f"gpio: {HERE}-1\n    channel: 6", ("line 6 gpio", "at least 0")),
    ("stop: {gpio: 17", f"stop: {{gpio: {HERE}8", ("the stop contact: GPIO 8 already serves line 6",)),
    ("glass: {gpio: 27", f"glass: {{gpio: {HERE}17", ("the glass sensor: GPIO 17 already serves the stop contact",)),
    ("glass: {gpio: 27", f"glass: {{gpio: {HERE}1", ("the glass sensor: GPIO 1 ", "ID EEPROM")),
    (
        GPIO_6,
        f"gpio: {HERE}23\n    channel: 6",
        (
            "line 6: GPIO 23 is pulled low until the service starts and the relay board is active-low: the pump would "
            "run during boot.",
            "Use one of GPIO 2-8 (free: 3, 8)",
            "gpio=23=op,dh",
        ),
    ),
]

BOOT_LINES = [
    ("gpio=17", "gpio=PINS=WORDS"),
    ("gpio=9-3=op,dh", "runs backwards. Write 3-9"),
    ("gpio=9=op,hd", '"hd" is none of ip, op'),
    ("gpio=9=dh", "op,dh or op,dl"),
    ("gpio=9=op", "op,dh or op,dl"),
    ("gpio=9=op,dh,dl", "dh and dl exclude each other"),
    ("gpio=9=ip,pu,pd", "pu and pd exclude each other"),
    ("gpio=9=ip,op,dh", "exclude each other"),
    ("gpio=28=op,dh", "GPIO 0 to 27"),
    ("gpio=9,,8=op,dh", "neither a pin nor a range"),
    ("gpio = 9 = op,dh", "gpio=PINS=WORDS"),
]

PARTS = [
    ("channel: 6", f"channel: {HERE}5", ("line 6: relay channel 5 already serves line 5",)),
    ("channel: 6", f"channel: {HERE}9", ("line 6: relay channel 9 does not exist", "has 8")),
    ("  - line: 6", f"  - line: {HERE}5", ("line 5", "stands twice", "line 79 of the file")),
    ("  - line: 6", f"  - line: {HERE}65", ("line 65", "the most is 64")),
    (
        "stop: {gpio: 17, contact: normally_closed",
        f"stop: {{gpio: 17, contact: {HERE}normally_open",
        ("the stop contact: it must be normally_closed", "broken wire"),
    ),
    (
        "\nfunnel:",
        f"  levels: [{{line: {HERE}7, gpio: 23, contact: normally_open}}]\n\nfunnel:",
        ("level switch", "no line 7"),
    ),
    (
        "\nfunnel:",
        "  levels:\n    - {line: 6, gpio: 23, contact: normally_open}\n"
        f"    - {{line: {HERE}6, gpio: 24, contact: normally_open}}\n\nfunnel:",
        ("level switch", "line 6 has one already"),
    ),
    ("inrush_current: 1.4 A", f"inrush_current: {HERE}0.5 A", ("line 1 pump", "0.5 A", "0.55 A", "total current")),
    # 7 m of water at 20 C press with 998.2 kg/m3 x 9.80665 m/s2 x 7 m = 68.5 kPa.
    (TUBE_6, HERE.join(("{bore: 3 mm, suction: 0.6 m, delivery: 0.7 m, lift: ", "7 m}")), ("68.5 kPa", "60 kPa")),
    # pi/4 x 8 mm squared x 1.3 m = 65.3 mL, five times 327 mL.
    (TUBE_6, f"{HERE}{TUBE_6.replace('bore: 3', 'bore: 8')}", ("line 6", "65.3 mL", "327 mL", "150 mL")),
    ("step_down_min: 7 V", f"step_down_min: {HERE}12 V", ("at least 12 V", "the supply has 12 V")),
    ("load_voltage: 5.1 V", f"load_voltage: {HERE}13 V", ("13 V", "the supply has 12 V")),
    ("coil_voltage: 5 V", f"coil_voltage: {HERE}24 V", ("24 V", "the supply has 12 V")),
    # Computer 0.7 A x 5.1 V / (12 V x 0.85) = 0.35 A; six coils 6 x 72 mA x 5 V / (12 V x 0.85) = 0.212 A.
    (
        "  current: 3.4 A ",
        f"  current: {HERE}4.5 A ",
        ("pumps may draw 4.5 A", "5 A only 4.29 A are left", "computer (0.35 A)", "lamps (0.15 A)", "coils (0.212 A)"),
    ),
]


@pytest.mark.parametrize(("old", "new", "parts"), PINS + PARTS)
def test_refuses_at_the_place_with_the_way_out(tmp_path, old, new, parts):
    changed = change(TEXT, old, new)
    assert_refused(profile_problems(tmp_path, changed.text), changed, *parts)


@pytest.mark.parametrize(("line", "part"), BOOT_LINES)
def test_boot_lines_are_read_strictly(tmp_path, line, part):
    changed = change(TEXT, CHIP, f"  boot_lines:\n    - gpio=10=pd\n    - {HERE}{line}\n{CHIP}")
    assert_refused(profile_problems(tmp_path, changed.text), changed, "board boot line 2", part)


def _with_boot_lines(gpio, *lines):
    items = "".join(f"    - {line}\n" for line in lines)
    text = TEXT.replace(GPIO_6, f"gpio: {gpio}\n    channel: 6")
    return text.replace(CHIP, f"  boot_lines:\n{items}{CHIP}") if lines else text


@pytest.mark.parametrize(
    ("gpio", "lines", "is_safe"),
    [
        (23, (), False),
        (23, ("gpio=23=op,dh",), True),
        (23, ("gpio=23-25=op,dh",), True),
        (23, ("gpio=9,23-24,26=op,dh",), True),
        (23, ("gpio=23=op,dl",), False),
        (23, ("gpio=24=op,dh",), False),
        (23, ("gpio=23=pu",), True),
        (23, ("gpio=23=ip,np",), False),
        (23, ("gpio=23=a0",), False),
        (23, ("gpio=23=op,dl", "gpio=23=op,dh"), True),
        (23, ("gpio=23=op,dh", "gpio=22-24=ip"), False),
        (8, ("gpio=8=pd",), False),
        (8, ("gpio=8=op,dl",), False),
        (8, ("gpio=8=op,dh",), True),
        (8, ("gpio=0-8=ip",), True),
    ],
)
def test_a_relay_must_be_held_off_by_what_the_boot_lines_leave(tmp_path, gpio, lines, is_safe):
    problems = profile_problems(tmp_path, _with_boot_lines(gpio, *lines))
    assert bool(problems) != is_safe, problems
    if not is_safe:
        assert f"gpio={gpio}=op,dh" in problems[0].text


def test_active_high_relays_on_pulled_up_pins_are_refused_with_their_own_way_out(tmp_path):
    problems = profile_problems(tmp_path, TEXT.replace("active_level: low ", "active_level: high "))
    assert len(problems) == 6
    assert "GPIO 2 is pulled high until the service starts and the relay board is active-high" in problems[0].text
    assert "Use one of GPIO 9-27 (free: 9, 10, 11" in problems[0].text
    assert problems[0].text.endswith("gpio=2=op,dl")


EIGHT = (ROOT / "hardware_profiles" / "eight_line.yaml").read_text(encoding="utf-8")
MAIN = "main_relay: {gpio: 25, active_level: high"


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        (MAIN, f"main_relay: {{gpio: {HERE}8, active_level: low", ("the main relay: GPIO 8 already serves line 7",)),
        ("current: {gpio: 18", f"current: {{gpio: {HERE}25", ("the current contact: GPIO 25 already serves the main",)),
        ("current: {gpio: 18", f"current: {{gpio: {HERE}1", ("the current contact: GPIO 1 ", "ID EEPROM")),
        (
            MAIN,
            f"main_relay: {{gpio: {HERE}25, active_level: low",
            (
                "the main relay: GPIO 25 is pulled low until the service starts and the main relay is active-low: it "
                "would feed the pumps during boot.",
                "gpio=25=op,dh",
            ),
        ),
        (
            "run: 0.55 A",
            f"run: {HERE}0.1 A",
            ("line 1 pump: it draws 0.1 A; a current contact closes only at 0.1 A", "standing still"),
        ),
        # Six lines and the main relay: seven coils of 72 mA x 5 V / (12 V x 0.85); beside six, 4.29 A would be left.
        (
            "  current: 3.4 A ",
            f"  current: {HERE}4.27 A ",
            ("pumps may draw 4.27 A", "5 A only 4.25 A are left", "7 relay coils (0.247 A)"),
        ),
    ],
)
def test_feedback_is_checked_like_all_else(tmp_path, old, new, parts):
    changed = change(EIGHT, old, new)
    assert_refused(profile_problems(tmp_path, changed.text), changed, *parts)


def test_the_boot_lines_hold_the_main_relay_by_its_own_level(tmp_path):
    for line, is_safe in (("gpio=25=op,dl", True), ("gpio=25=op,dh", False)):
        text = EIGHT.replace("    - gpio=17=op,dh\n", f"    - gpio=17=op,dh\n    - {line}\n")
        problems = profile_problems(tmp_path, text)
        assert bool(problems) != is_safe
        if not is_safe:
            assert "the main relay is active-high: it may feed the pumps during boot" in problems[0].text
            assert "Write gpio=25=op,dl last" in problems[0].text


def test_with_no_pin_left_only_the_boot_line_is_offered(tmp_path):
    eight = (ROOT / "hardware_profiles" / "eight_line.yaml").read_text(encoding="utf-8")
    changed = change(eight, "    - gpio=17=op,dh\n", "    - gpio=16=op,dh\n")
    (problem,) = profile_problems(tmp_path, changed.text)
    assert "All of GPIO 2-8 are in use: add this line" in problem.text


def test_a_boot_line_may_not_drive_a_contact(tmp_path):
    changed = change(TEXT, CHIP, f"  boot_lines: ['gpio=16-18=op,dh']\n{CHIP}")
    (problem,) = profile_problems(tmp_path, changed.text)
    assert "the stop contact" in problem.text
    assert "short" in problem.text


def test_a_cap_below_one_inrush_is_refused_at_that_pump(tmp_path):
    text = TEXT.replace("  current: 3.4 A ", "  current: 1.5 A ")
    changed = change(text, "inrush_current: 1.6 A", f"inrush_current: {HERE}1.6 A")
    assert_refused(profile_problems(tmp_path, changed.text), changed, "line 2: it can never run", "1.6 A", "1.5 A")


def test_a_supply_that_cannot_start_one_pump_is_refused(tmp_path):
    text = TEXT.replace("rated: 5 A", "rated: 1.9 A")
    changed = change(text, "inrush_current: 1.4 A", f"inrush_current: {HERE}1.4 A")
    # 0.35 A computer, 0.15 A lamps, one coil 0.035 A: 0.535 A beside 1.4 A.
    assert_refused(profile_problems(tmp_path, changed.text), changed, "even alone", "0.535 A", "rated for 1.9 A")


def test_a_supply_that_cannot_keep_one_pump_running_is_refused(tmp_path):
    text = TEXT.replace("continuous_fraction: 0.8", "continuous_fraction: 0.2")
    changed = change(text, "run: 0.55 A", f"run: {HERE}0.55 A")
    assert_refused(profile_problems(tmp_path, changed.text), changed, "even alone", "all evening 1 A")


def test_a_flow_cap_below_one_pump_is_refused(tmp_path):
    text = TEXT.replace("flow: 35 mL/s", "flow: 4.9 mL/s")
    changed = change(text, "nominal_flow: 300 mL/min", f"nominal_flow: {HERE}300 mL/min")
    parts = "line 1: it can never run", "up to 5.83 mL/s", "4.9 mL/s"
    assert_refused(profile_problems(tmp_path, changed.text), changed, *parts)


def test_a_flow_with_its_edges_exchanged_is_refused(tmp_path):
    changed = change(TEXT, "least: 225 mL/min", f"least: {HERE}355 mL/min")
    assert_refused(profile_problems(tmp_path, changed.text), changed, "line 1 flow", "above the most", "Exchange them")


def test_a_flow_band_narrower_than_pumps_hold_draws_a_warning(tmp_path):
    path = tmp_path / "profile.yaml"
    path.write_text(TEXT.replace("least: 225 mL/min", "least: 330 mL/min"), encoding="utf-8")
    told = [one.text for one in load_profile(path)[1] if "flow" in one.text]
    assert len(told) == 1  # once for all lines that share it
    assert "line 1 flow: 5.5 mL/s to 5.83 mL/s is closer than such a pump keeps" in told[0]


def test_a_machine_without_lines_is_refused(tmp_path):
    start, end = TEXT.index("lines:\n"), TEXT.index("# Contacts between")
    changed = change(TEXT, TEXT[start:end], f"lines: {HERE}[]\n")
    assert_refused(profile_problems(tmp_path, changed.text), changed, "at least one line")


def test_every_problem_is_reported_at_once_and_none_twice(tmp_path):
    text = TEXT
    for old, new in (
        ("rated: 5 A", "rated: 5"),
        (GPIO_6, "gpio: 7\n    channel: 6"),
        ("channels: 8", "channels: eight"),
        ("stop: {gpio: 17, contact: normally_closed", "stop: {gpio: 17, contact: normally_open"),
        ("serving_pause: 2 s", "serving_pause: 2 oz"),
        ("run: 0.6 A", "run: 0.6 W"),  # used by three lines through an alias
        ("  held: 2 min", "  hold: 2 min"),
    ):
        assert old in text
        text = text.replace(old, new)
    problems = profile_problems(tmp_path, text)
    assert len(problems) == 8, "\n".join(map(str, problems))  # hold unknown, held missing
    assert problems == sorted(problems)
    assert all(one.file.endswith("profile.yaml") for one in problems)


def _warnings(tmp_path, text):
    path = tmp_path / "profile.yaml"
    path.write_text(text, encoding="utf-8")
    return [one.text for one in load_profile(path)[1]]


def test_pins_on_buses_are_warned_of_once_per_bus(tmp_path):
    text = TEXT.replace("stop: {gpio: 17", "stop: {gpio: 15")
    warnings = _warnings(tmp_path, text)
    assert len(warnings) == 3
    assert "GPIO 7 (line 5) and GPIO 8 (line 6) belong to SPI0: leave SPI switched off" in warnings[1]
    assert "GPIO 15 (the stop contact) belongs to UART" in warnings[2]


def test_a_boot_line_that_comes_late_is_warned_of(tmp_path):
    warnings = _warnings(tmp_path, _with_boot_lines(23, "gpio=23=op,dh"))
    late = [one for one in warnings if one.startswith("line 6: GPIO 23 is pulled low for the first seconds")]
    assert len(late) == 1
    assert "10 kohm to 3.3 V" in late[0]


def test_a_funnel_slower_than_the_flow_cap_is_warned_of(tmp_path):
    warnings = _warnings(tmp_path, TEXT.replace("drain: 40 mL/s", "drain: 30 mL/s"))
    assert any("35 mL/s may come in, but the funnel drains 30 mL/s" in one for one in warnings)


def test_header_pins_and_pulls_are_those_of_the_published_table():
    with (ROOT / "tests" / "reference" / "gpio_reset_pulls.csv").open() as file:
        rows = {int(row["gpio"]): row for row in csv.DictReader(file)}
    assert HEADER.keys() == rows.keys()
    for gpio, pin in HEADER.items():
        assert (pin.gpio, pin.reset_pull, str(pin.header_pin)) == (
            gpio,
            rows[gpio]["reset_pull"],
            rows[gpio]["header_pin"],
        )


def warnings_of(folder, text):
    path = folder / "profile.yaml"
    path.write_text(text, encoding="utf-8")
    return load_profile(path)[1]


SIPHON = ("siphons", "no relay stops it", "0.15 m above the outlet")


@pytest.mark.parametrize(
    ("tube", "parts"),
    [
        ("lift: 0.25 m", None),
        ("lift: 0.25 m, rise: -0.2 m", None),
        ("lift: 0.25 m, rise: -0.4 m", SIPHON),
        ("lift: -0.3 m, rise: 0.15 m", SIPHON),
        ("lift: -0.3 m, rise: 0.4 m", None),
        ("lift: -0.3 m", ("0.3 m above the pump", "unless the outlet is higher still", "write it as rise")),
    ],
)
def test_a_container_above_its_outlet_is_a_warning(tmp_path, tube, parts):
    """By heights alone: surface above outlet is what drives a siphon (hydrostatics)."""
    before = len(warnings_of(tmp_path, TEXT))
    changed = change(TEXT, TUBE_6, TUBE_6.replace("lift: 0.25 m", tube))
    found = warnings_of(tmp_path, changed.text)
    if parts is None:
        assert len(found) == before
        return
    (warning,) = [one for one in found if "line 6 tube" in one.text]
    assert all(part in warning.text for part in parts), warning.text


def test_an_outlet_is_no_further_from_the_pump_than_its_tube_is_long(tmp_path):
    changed = change(TEXT, TUBE_6, TUBE_6.replace("lift: 0.25 m", f"lift: 0.25 m, {HERE}rise: 0.8 m"))
    (problem,) = profile_problems(tmp_path, changed.text)
    assert "0.8 m from the pump at the end of 0.7 m of tube" in problem.text


SCALE = "  converter: i2c  "


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("    gpio: 4\n", f"    gpio: {HERE}2\n", ("line 3: GPIO 2 already serves the I2C bus of the scale",)),
        ("glass: {gpio: 22", f"glass: {{gpio: {HERE}3", ("the glass sensor: GPIO 3 already serves the I2C bus",)),
        (SCALE, f"  converter: {HERE}bench  ", ("a converter bench does not go with the backend gpio",)),
        ("readings_per_s: 80", f"readings_per_s: {HERE}50", ("10, 20, 40 or 80 readings a second",)),
        ("platform: 350 g", f"platform: {HERE}3 kg", ("too little is left for a glass",)),
    ],
)
def test_the_scale_is_checked_with_its_board_and_its_pins(tmp_path, old, new, parts):
    changed = change(EIGHT, old, new)
    assert_refused(profile_problems(tmp_path, changed.text), changed, *parts)


def test_an_hx711_takes_two_pins_and_no_bus(tmp_path):
    kernel = EIGHT.replace(SCALE, "  converter: kernel  ").replace("    gpio: 12\n", "    gpio: 2\n")
    (problem,) = profile_problems(tmp_path, kernel)
    assert "an HX711 has two pins: write clock_gpio and data_gpio" in problem.text
    named = kernel.replace("  platform: 350 g", "  clock_gpio: 13\n  data_gpio: 26\n  platform: 350 g")
    assert profile_problems(tmp_path, named) == []
    (problem,) = profile_problems(tmp_path, named.replace("data_gpio: 26", "data_gpio: 4"))
    assert "line 3: GPIO 4 already serves the scale's converter" in problem.text
    on_bus = named.replace("  platform: 350 g", "  compatible: nuvoton,nau7802\n  platform: 350 g")
    (problem,) = profile_problems(tmp_path, on_bus)
    assert "line 1: GPIO 2 already serves the I2C bus of the scale" in problem.text

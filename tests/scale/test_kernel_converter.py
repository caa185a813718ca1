"""Converters that the kernel drives, in a folder laid out as Linux' Documentation/ABI/testing/sysfs-bus-iio says."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from controller.scale.converter import ConverterError, open_converter
from controller.scale.kernel import KernelConverter, find, set_up, unset


def device(devices: Path, number: int, compatible: str, **files: str) -> Path:
    folder = devices / f"iio:device{number}"
    (folder / "of_node").mkdir(parents=True)
    (folder / "of_node" / "compatible").write_bytes(compatible.encode() + b"\0")
    for name, text in files.items():
        (folder / name).write_text(text + "\n")
    return folder


def hx711(devices: Path, number: int = 0) -> Path:
    # drivers/iio/adc/hx711.c: the scale is shared, its choices stand by channel; the rate is strapped, not set
    return device(
        devices, number, "avia,hx711", name="hx711", in_voltage0_raw="8388608", in_voltage_scale="0.001536458",
        in_voltage0_scale_available="0.001536458 0.003072917",
    )  # fmt: skip


def nau7802(devices: Path, number: int = 0) -> Path:
    # drivers/iio/adc/nau7802.c: the name is the bus address; after probe gain 1 and 320 readings a second
    return device(
        devices, number, "nuvoton,nau7802", name="1-002a", in_voltage0_raw="-77", in_voltage_scale="0.000357627",
        in_voltage_scale_available="0.000357627 0.000178813 0.000002793", in_voltage_sampling_frequency="320",
        sampling_frequency_available="10 40 80 320",
    )  # fmt: skip


@pytest.mark.parametrize(("raw", "counts"), [("8388608", 0), ("8388609", 1), ("0", -(2**23)), ("16777215", 2**23 - 1)])
def test_the_hx711_gives_its_counts_with_the_sign_bit_inverted(tmp_path: Path, raw: str, counts: int):
    folder = hx711(tmp_path)
    (folder / "in_voltage0_raw").write_text(raw + "\n")
    one = KernelConverter("avia,hx711", 80, devices=tmp_path)
    one.start()
    assert one.read() == counts
    one.close()


def test_the_nau7802_is_found_by_its_compatible_among_others_and_read_as_it_is(tmp_path: Path, monkeypatch):
    hx711(tmp_path, 0)
    device(tmp_path, 1, "bosch,bme280", name="bme280")
    folder = nau7802(tmp_path, 2)
    set_up("nuvoton,nau7802", 80, tmp_path)
    one = KernelConverter("nuvoton,nau7802", 80, devices=tmp_path)
    one.start()
    monkeypatch.setattr("controller.scale.kernel.time", SimpleNamespace(monotonic=lambda: 7.0))
    assert one.read() == -77
    assert one.next_s == 7.0 + 0.9 / 80  # a read would wait for it in the kernel, deaf to all else
    (folder / "in_voltage0_raw").write_text("-78\n")
    assert one.read() == -78
    one.close()


def test_a_gain_or_rate_that_is_not_set_is_named(tmp_path: Path):
    folder = nau7802(tmp_path)
    with pytest.raises(ConverterError, match="320 readings a second, not 80"):
        KernelConverter("nuvoton,nau7802", 80, devices=tmp_path).start()
    assert [text.split(" (")[0] for text in unset(folder, 80)] == [
        "the converter gives 320 readings a second, not 80",
        "the converter is not at its largest gain",
    ]
    set_up("nuvoton,nau7802", 80, tmp_path)
    assert list(unset(folder, 80)) == []


def test_none_and_two_are_refused(tmp_path: Path):
    with pytest.raises(ConverterError, match="no driver of the kernel has a avia,hx711"):
        find("avia,hx711", tmp_path)
    hx711(tmp_path, 0)
    hx711(tmp_path, 1)
    with pytest.raises(ConverterError, match="iio:device0, iio:device1"):
        find("avia,hx711", tmp_path)


def test_a_failing_driver_is_reported_and_a_slow_one_counts_as_silent(tmp_path: Path, monkeypatch):
    hx711(tmp_path)
    one = KernelConverter("avia,hx711", 80, devices=tmp_path)
    one.start()

    def fails(error: type[OSError]):
        def pread(*_: object) -> bytes:
            raise error

        return pread

    monkeypatch.setattr("os.pread", fails(TimeoutError))
    assert one.read() is None
    monkeypatch.setattr("os.pread", fails(OSError))
    with pytest.raises(OSError):
        one.read()
    one.close()


def test_an_unknown_compatible_is_refused():
    with pytest.raises(ConverterError, match="avia,hx711, nuvoton,nau7802"):
        open_converter("kernel", "acme,x1", 80)

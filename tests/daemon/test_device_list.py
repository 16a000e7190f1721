"""Devices are chosen by number or words, and a library in trouble is told in one line."""

import json

import pytest

from prehowl.daemon import cli
from prehowl.daemon.commands import devices
from prehowl.daemon.errors import DeviceError, DeviceFault
from prehowl.daemon.sources.device_list import DeviceRow, choose_device, list_devices

ROWS = [
    DeviceRow(0, "Built-in line", "ALSA", 2, 2, 48000, False),
    DeviceRow(1, "Stage box", "ALSA", 16, 16, 48000, True),
    DeviceRow(2, "Stage box", "JACK Audio Connection Kit", 32, 32, 96000, False),
    DeviceRow(3, "Stage box monitor", "ALSA", 2, 2, 48000, False),
    DeviceRow(4, "Speakers", "ALSA", 0, 2, 48000, False),
]


def run(capsys, *words):
    """Run the command in this process; return exit code, stdout, stderr."""
    code = cli.main(["devices", *words])
    return (code, *capsys.readouterr())


@pytest.mark.parametrize(
    ("wanted", "number"),
    [
        (None, 1),
        (2, 2),
        ("2", 2),
        ("built", 0),
        ("LINE built-in", 0),
        ("stage jack", 2),
        ("box monitor", 3),
        ("mon", 3),
        ("stage box monitor", 3),
    ],
)
def test_numbers_and_words_find_their_device(wanted, number):
    """Oracle: the rule as documented: number, or all words in name and host API, any order."""
    assert choose_device(ROWS, wanted).number == number


@pytest.mark.parametrize(
    ("wanted", "fault", "words"),
    [
        ("Stage box", DeviceFault.AMBIGUOUS, "2 audio inputs match 'Stage box'.*1 .*; 2 "),
        ("bo alsa", DeviceFault.AMBIGUOUS, "2 audio inputs match.*1 .*; 3 "),
        ("mixer", DeviceFault.ABSENT, "no audio input matches 'mixer'. There are: 0 "),
        ("speakers", DeviceFault.ABSENT, "'speakers' has outputs only"),
        (4, DeviceFault.ABSENT, r"device 4 \(Speakers\) has no inputs"),
        ("7", DeviceFault.ABSENT, "no audio device number 7"),
    ],
)
def test_what_cannot_be_chosen_is_told_in_one_line(wanted, fault, words):
    """Oracle: definition. The message lists what there is, or what matches, with numbers."""
    with pytest.raises(DeviceError, match=words) as caught:
        choose_device(ROWS, wanted)
    assert caught.value.fault is fault
    assert "\n" not in str(caught.value)


def test_no_device_at_all_says_what_to_look_at():
    """Oracle: definition. The message names the plug, the power and the right to use audio."""
    with pytest.raises(DeviceError, match=r"no audio input at all.*plugged in") as caught:
        choose_device([], None)
    assert caught.value.exit_code == 3


def test_the_list_is_what_the_library_says(double):
    """Oracle: the double. Names, channels, rate, host API, and which one is the default."""
    rows = list_devices()
    assert [(row.name, row.input_channels) for row in rows] == [
        ("Built-in line", 2),
        ("Stage box A", 8),
        ("Stage box B", 4),
        ("Out", 0),
    ]
    assert rows[0] == DeviceRow(0, "Built-in line", "Double", 2, 2, 48000, True)
    assert [row.is_default for row in rows] == [True, False, False, False]


def test_a_missing_library_says_what_to_install(double):
    """Oracle: Debian's name of the package. The code is that of a system failure."""
    double.tell(missing=True)
    with pytest.raises(DeviceError, match=r"libportaudio2.*`portaudio`") as caught:
        list_devices()
    assert (caught.value.fault, caught.value.exit_code) == (DeviceFault.LIBRARY, 3)
    assert "\n" not in str(caught.value)


def test_a_library_that_hangs_does_not_hang_us(double):
    """Oracle: definition. The answer is an error after the patience."""
    double.tell(hang_s=60)
    with pytest.raises(DeviceError, match=r"did not answer within 1.5 s"):
        list_devices(timeout_s=1.5)


def test_a_library_that_dies_is_told(double):
    """Oracle: definition. A query process without an answer is an error with its last words."""
    double.tell(die="Assertion `err == 0` failed")
    with pytest.raises(DeviceError, match=r"failed while listing devices.*exit 134: Assertion"):
        list_devices()


class TestCommand:
    """`prehowl devices`."""

    def test_table_holds_every_input(self, double, capsys):
        """Oracle: the double. Inputs with number, channels and rate; the default has a star."""
        code, out, err = run(capsys)
        assert (code, err) == (0, "")
        lines = out.splitlines()
        assert lines[0].split() == ["no", "name", "in", "rate", "host", "API"]
        assert [line.split() for line in lines[1:]] == [
            ["*", "0", "Built-in", "line", "2", "48000", "Hz", "Double"],
            ["1", "Stage", "box", "A", "8", "48000", "Hz", "Double"],
            ["2", "Stage", "box", "B", "4", "48000", "Hz", "Double"],
        ]

    def test_json_has_the_documented_keys(self, double, capsys):
        """Oracle: the help text names the keys of each device."""
        code, out, _err = run(capsys, "--format", "json")
        listed = json.loads(out)["devices"]
        assert code == 0
        assert [device["name"] for device in listed][1] == "Stage box A"
        for key in listed[0]:
            assert key in devices.HELP

    def test_none_is_a_finding(self, double, capsys):
        """Oracle: the documented exit code 1, with the empty list still on stdout."""
        double.tell(devices=[["Out", 0]])
        code, out, err = run(capsys, "--format", "json")
        assert (code, json.loads(out)) == (1, {"devices": []})
        assert "no audio input here" in err

    def test_a_missing_library_is_a_system_failure(self, double, capsys):
        """Oracle: the documented exit code 3, one line, no traceback."""
        double.tell(missing=True)
        code, out, err = run(capsys)
        assert (code, out, err.count("\n")) == (3, "", 1)
        assert "libportaudio2" in err

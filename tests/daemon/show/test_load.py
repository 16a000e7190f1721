"""Reading show files: every fault at once, each with its key's path and what would be right."""

import os
from pathlib import Path

import pytest

from prehowl.daemon.errors import BAD_INPUT, ShowFileError
from prehowl.daemon.show import default_show, load_show
from prehowl.daemon.show.load import MOST_BYTES

CONFIGS = sorted((Path(__file__).parents[3] / "configs").glob("*.toml"))


@pytest.fixture
def write(tmp_path: Path):
    def make(text: str | bytes) -> Path:
        path = tmp_path / "show.toml"
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    return make


def faults(path: Path) -> dict[str, str]:
    """Return path of key -> text, as a person reads them."""
    with pytest.raises(ShowFileError) as caught:
        load_show(path)
    text = str(caught.value).removeprefix(f"{path}: ")
    lines = text.split("\n  ")[1:] if "mistakes" in text.split("\n")[0] else [text]
    return dict(line.split(" ", 1) for line in lines)


class TestExamples:
    def test_there_are_examples(self) -> None:
        """Oracle: the folder. A moved folder must not turn the next test into nothing."""
        assert {path.name for path in CONFIGS} >= {"small-club.toml", "festival.toml"}

    @pytest.mark.parametrize("path", CONFIGS, ids=lambda path: path.name)
    def test_every_example_loads_and_sets_up_its_channels(self, path: Path) -> None:
        """Oracle: the loader. A commented example that does not load would be worse than none."""
        show = load_show(path)
        n = max(channel.number for channel in show.channels)
        assert len(show.setups(n)) == len(set(show.names(n))) == n
        assert show.osc

    def test_example_delays_are_those_of_a_calculator(self) -> None:
        """Oracle: closed form by hand: 1.8 m at 29 °C: c = 331.3 sqrt(302.15/273.15) = 348.44 m/s.

        1.8 / 348.44 = 5.166 ms, and 4.2 ms of electronics: 9.366 ms, for the mic and its mix.
        """
        show = load_show(next(path for path in CONFIGS if path.name == "festival.toml"))
        setups = show.setups(32)
        assert setups[0].loop_delay_s == pytest.approx(0.009366, abs=2e-6)
        assert setups[22].loop_delay_s == setups[0].loop_delay_s
        assert [i + 1 for i, setup in enumerate(setups) if setup.is_reference] == [19, 20, 21, 22]
        assert setups[0].sensitivity == 3.0
        assert setups[5].sensitivity == 0.33


class TestValues:
    def test_empty_file_is_a_show_of_defaults(self, write) -> None:
        """Oracle: definition. Every key has a default."""
        assert load_show(write("")) == default_show()

    def test_all_kinds_of_values(self, write) -> None:
        """Oracle: the TOML written here. A whole number is fine where a number is asked for."""
        show = load_show(
            write(
                "[stage]\ntemperature_c = 25\n[device]\nname = 3\nrate_hz = 96_000\n"
                "[[channels]]\nnumber = 2\nloop_delay_ms = 8\n"
                "[[osc]]\nhost = 'a'\nmessages = ['ring']\n"
            )
        )
        assert show.stage.temperature_c == 25.0
        assert isinstance(show.stage.temperature_c, float)
        assert (show.device.name, show.device.rate_hz) == (3, 96000)
        assert show.setups(2)[1].loop_delay_s == 0.008
        assert show.osc[0].messages == ("ring",)
        assert show.osc[0].label == "a:9000"

    def test_byte_order_mark_and_windows_line_ends_are_fine(self, write) -> None:
        """Oracle: some editors write both; TOML 1.0 allows CRLF."""
        assert (
            load_show(write(b"\xef\xbb\xbf[stage]\r\ntitle = 'Abend'\r\n")).stage.title == "Abend"
        )

    def test_umlauts_are_fine(self, write) -> None:
        """Oracle: TOML 1.0 files are UTF-8."""
        show = load_show(write("[[channels]]\nnumber = 1\nname = 'Jürgen ♪'"))
        assert show.names(1) == ("Jürgen ♪",)


class TestFaults:
    def test_all_faults_at_once(self, write) -> None:
        """Oracle: the mistakes planted here, one by one; nothing else may be told."""
        found = faults(
            write(
                """
temperatur = 3
[device]
rate_hz = 48001
nam = "x"
channels = true
[screen]
theme = "drak"
fader_step_db = 1
[[channels]]
number = 1
loop_delay_ms = "8"
[[channels]]
number = 0
distance_m = -2.0
[[channels]]
name = 7
[[channels]]
number = 4
loop_delay_ms = nan
[[osc]]
port = 70000
messages = ["rings"]
"""
            )
        )
        assert set(found) == {
            "temperatur",
            "device.nam",
            "device.rate_hz",
            "device.channels",
            "screen.theme",
            "screen.fader_step_db",
            "channels[1].loop_delay_ms",
            "channels[2].number",
            "channels[2].distance_m",
            "channels[3].name",
            "channels[3].number",
            "channels[4].loop_delay_ms",
            "osc[1].host",
            "osc[1].port",
            "osc[1].messages[1]",
        }
        assert found["device.nam"] == "unknown key. Did you mean 'name'?"
        assert found["device.rate_hz"] == "is 48001; must be 44100, 48000, 88200 or 96000 Hz."
        assert "not true or false (true)" in found["device.channels"]
        assert "Did you mean 'dark'?" in found["screen.theme"]
        assert found["screen.fader_step_db"] == "unknown key here. It belongs under [advice]"
        assert found["channels[1].loop_delay_ms"] == (
            "must be a number from 0.5 to 500 ms, not text in quotes ('8')"
        )
        assert found["channels[2].distance_m"] == "is -2.0; must be a number from 0.05 to 100 m"
        assert "missing" in found["channels[3].number"]

    @pytest.mark.parametrize(
        ("text", "path", "words"),
        [
            ("[[channels]]\nnumber=1\n[[channels]]\nnumber=1", "channels[2].number", "channels[1]"),
            (
                "[[channels]]\nnumber=1\nname='A'\n[[channels]]\nnumber=2\nname='A'",
                "channels[2].name",
                "as in channels[1]",
            ),
            (
                "[[channels]]\nnumber=1\nloop_delay_ms=8\ndistance_m=2",
                "channels[1].distance_m",
                "give one",
            ),
            ("[[channels]]\nnumber=1\nmix='Wedge 1'", "channels[1].mix", "No channel has kind"),
            (
                "[[channels]]\nnumber=1\nmix='Wegde'\n[[channels]]\nnumber=2\nname='Wedge'\nkind='mix'",
                "channels[1].mix",
                "Did you mean 'Wedge'?",
            ),
            ("[[channels]]\nnumber=1\nmix=9", "channels[1].mix", "no mix channel bears"),
            (
                "[[channels]]\nnumber=1\nmix=2\n[[channels]]\nnumber=2",
                "channels[1].mix",
                "a channel of kind 'mic'; must be a mix",
            ),
            ("[[channels]]\nnumber=1\nmic='B'", "channels[1].mic", "use mix"),
            (
                "[[channels]]\nnumber=1\nkind='reference'\ndistance_m=2",
                "channels[1].distance_m",
                "no acoustic loop",
            ),
            (
                "[device]\nchannels=2\n[[channels]]\nnumber=3",
                "channels[1].number",
                "raise that to 3",
            ),
            ("[[osc]]\nhost='a b'", "osc[1].host", "no spaces"),
            ("[[osc]]\nhost='a'\nmessages=[]", "osc[1].messages", "at least one"),
            ("[[osc]]\nhost='a'\n[[osc]]\nhost='a'", "osc[2].name", "as in osc[1]"),
            ("[[osc]]\nhost='a'\nname='x'\n[[osc]]\nhost='a'", "osc[2].port", "osc[1] already"),
            ("[osc]\nhost='a'", "osc", "[[osc]]"),
            ("device = 3", "device", "must be a table ([device])"),
            ("channels = [3]", "channels[1]", "must be a table"),
            ("[stage]\ntitle = 1979-05-27", "stage.title", "not a date"),
            ("[stage]\ntemperature_c = inf", "stage.temperature_c", "is inf"),
            ("[stage]\ntemperature_c = 1" + "0" * 400, "stage.temperature_c", "..."),
            ("[stage]\ntitle = 'a\\tb\\u0000'".replace("'", '"'), "stage.title", "printable"),
            ("[[channels]]\nnumber=1\nname='" + "x" * 41 + "'", "channels[1].name", "at most 40"),
            ("[device]\nname=''", "device.name", "is empty"),
            ("[[channels]]\nnumber=1.0", "channels[1].number", "whole number"),
        ],
    )
    def test_each_impossible_value_is_named(self, write, text: str, path: str, words: str) -> None:
        """Oracle: docs/show-file.md, the limits of each key; one mistake, one fault."""
        found = faults(write(text))
        assert list(found) == [path]
        assert words in found[path]

    def test_one_slip_is_not_told_three_times(self, write) -> None:
        """Oracle: definition. A misspelt kind must not also make its name unknown to others."""
        text = (
            "[[channels]]\nnumber=1\nmix='W'\n[[channels]]\nnumber=2\nname='W'\nkind='mixx'\n"
            "[[channels]]\nnumber=3\nmix='W'"
        )
        assert list(faults(write(text))) == ["channels[2].kind"]

    @pytest.mark.parametrize(
        ("text", "place"),
        [
            ("[stage]\ntitle = \n", "line 2, column 9"),
            ("[stage]\ntitle = 'a'\ntitle = 'b'\n", "line 3, column 12"),
            ("[stage\n", "line 1, column 7"),
            ("[stage]\ntitle = 'never closed", "line 2, column 22"),
            ('[stage]\ntitle = "never closed', "line 2, column 22"),
            ("x = [1,", "line 1, column 8"),
        ],
    )
    def test_syntax_errors_tell_line_and_column(self, write, text: str, place: str) -> None:
        """Oracle: counting by hand in the text; where it just ends, the end of the file."""
        path = write(text)
        with pytest.raises(ShowFileError, match="not valid TOML") as caught:
            load_show(path)
        assert str(caught.value).startswith(f"{path}, {place}: ")

    def test_files_that_are_none(self, tmp_path: Path, write) -> None:
        """Oracle: the system. Missing, a folder, not UTF-8, too large, too deep, odd name."""
        with pytest.raises(ShowFileError, match="no such show file"):
            load_show(tmp_path / "none.toml")
        with pytest.raises(ShowFileError, match="is a folder"):
            load_show(tmp_path)
        with pytest.raises(ShowFileError, match=r"line 2: not UTF-8 text \(byte 0xfc\)"):
            load_show(write(b"[stage]\ntitle = 'J\xfcrgen'"))
        with pytest.raises(ShowFileError, match="over 1000 kB"):
            load_show(write(b"#" * (MOST_BYTES + 1)))
        with pytest.raises(ShowFileError, match="nested too deeply"):
            load_show(write("x = " + "[" * 5000))
        with pytest.raises(ShowFileError, match="cannot be read"):
            load_show("a\0b")

    def test_unreadable_file(self, write, monkeypatch: pytest.MonkeyPatch) -> None:
        """Oracle: the system's own words for a refused read (EACCES)."""

        def refuse(*_: object, **__: object) -> None:
            raise PermissionError(13, os.strerror(13))

        path = write("")
        monkeypatch.setattr(Path, "open", refuse)
        with pytest.raises(ShowFileError, match="Permission denied"):
            load_show(path)

    def test_exit_code_is_that_of_bad_input(self) -> None:
        """Oracle: the documented exit codes: 2 for bad input."""
        assert ShowFileError.exit_code == BAD_INPUT == 2


class TestRequestsAndOrder:
    """`[osc_in]`, `[order]` and `[[acts]]`."""

    def test_a_running_order_is_read(self, write) -> None:
        """Oracle: the text of the file."""
        show = load_show(
            write(
                '[order]\nfollow_clock = true\n[[acts]]\nname = "Paper Kites"\nstart = "19:00"\n'
                '[[acts.channels]]\nnumber = 1\nname = "Ida"\n[[acts]]\nname = "Third Rail"\n'
                '[osc_in]\nport = 9001\nverbs = ["next_act"]\nattach = false\n'
            )
        )
        assert [act.name for act in show.acts] == ["Paper Kites", "Third Rail"]
        assert show.acts[0].channels[0].name == "Ida"
        assert show.order.follow_clock is True
        assert (show.osc_in.port, show.osc_in.verbs, show.osc_in.attach) == (
            9001,
            ("next_act",),
            False,
        )

    @pytest.mark.parametrize(
        ("text", "path", "said"),
        [
            ('[osc_in]\nport = 9001\nbind = "0.0.0.0"', "osc_in.allow", "name those that may send"),
            ('[osc_in]\nallow = ["tablet"]', "osc_in.allow[1]", "no address"),
            ("[osc_in]\nport = 9001\nattach = 1", "osc_in.attach", "true or false"),
            ("[osc_in]\nverbs = []\nattach = false", "osc_in.verbs", "leave out port"),
            ('[osc_in]\nverbs = ["nextact"]', "osc_in.verbs[1]", "Did you mean 'next_act'"),
            ('[[acts]]\nname = "A"\nstart = "7pm"', "acts[1].start", "HH:MM"),
            ('[[acts]]\nname = "A"\n[[acts]]\nname = "A"', "acts[2].name", "as in acts[1]"),
            ("[order]\nfollow_clock = true", "order.follow_clock", "no act has a start"),
            (
                '[[acts]]\nname = "A"\nstart = "19:00"\n[[acts]]\nname = "B"\nstart = "22:00"\n'
                '[[acts]]\nname = "C"\nstart = "21:00"',
                "acts[3].start",
                "in the order they play",
            ),
            (
                '[[acts]]\nname = "A"\nchannels = [{number = 1}, {number = 1}]',
                "acts[1].channels[2].number",
                "once",
            ),
            ('[[acts]]\nname = "A"\nfollow_clock = true', "acts[1].follow_clock", "[order]"),
        ],
    )
    def test_what_cannot_be_is_told_with_its_path(self, write, text, path, said) -> None:
        """Oracle: each file breaks one rule of docs/show-file.md."""
        found = faults(write(text))
        assert list(found) == [path]
        assert said in found[path]

"""From the show to the engine, what is in force, and the reference page."""

import dataclasses
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from prehowl.daemon.errors import ShowFileError, UsageError
from prehowl.daemon.show import (
    Channel,
    OscTarget,
    Show,
    default_show,
    settings_in_force,
    with_command_line,
    with_targets,
)
from prehowl.daemon.show.in_force import target_from_words, with_osc_in
from prehowl.daemon.show.load import read_show
from prehowl.daemon.show.osc_tables import MESSAGES
from prehowl.daemon.show.reference import reference_page, toml
from prehowl.daemon.show.tables import RATES_HZ, SENSITIVITIES, Stage
from prehowl.detectors.engine import ChannelSetup

ROOT = Path(__file__).parents[3]


class TestSetups:
    @pytest.mark.parametrize(
        ("temperature_c", "speed_m_per_s"),
        [(0.0, 331.3), (10.0, 337.3), (20.0, 343.2), (30.0, 349.0), (40.0, 354.7)],
    )
    def test_distance_becomes_delay(self, temperature_c: float, speed_m_per_s: float) -> None:
        """Oracle: the published 343.2 m/s at 20 °C; the other rows are our own computation."""
        show = Show(
            stage=Stage(temperature_c=temperature_c, electronics_ms=3.0),
            channels=(Channel(1, distance_m=10.0),),
        )
        air_s = show.setups(1)[0].loop_delay_s - 0.003
        assert 10.0 / air_s == pytest.approx(speed_m_per_s, abs=0.06)

    def test_channel_without_a_table_is_the_engines_default(self) -> None:
        """Oracle: the engine's own defaults."""
        assert default_show().setups(2) == [ChannelSetup()] * 2

    def test_words_become_numbers(self) -> None:
        """Oracle: docs/show-file.md: calm a third of the false alarms, keen three times."""
        words = ("calm", "normal", "keen", None)
        show = Show(
            channels=tuple(Channel(i, sensitivity=word) for i, word in enumerate(words, start=1))
        )
        show = with_command_line(show, {"detection.sensitivity": "keen"})
        assert [setup.sensitivity for setup in show.setups(5)] == [0.33, 1.0, 3.0, 3.0, 3.0]

    def test_advice_reaches_the_engine(self) -> None:
        """Oracle: the values set here."""
        values = {"advice.cut_cap_db": 4.0, "advice.fader_step_db": 1.0}
        (setup,) = with_command_line(default_show(), values).setups(1)
        assert (setup.cut_cap_db, setup.fader_step_db) == (4.0, 1.0)

    @pytest.mark.parametrize("by_number", [True, False])
    @pytest.mark.parametrize("mic_names", [True, False])
    @pytest.mark.parametrize("mic_has", [True, False])
    def test_mic_and_mix_share_their_delay(
        self, by_number: bool, mic_names: bool, mic_has: bool
    ) -> None:
        """Oracle: physics: both channels are taps on one loop, whichever names the other."""
        mic, mix = Channel(1, name="Vox"), Channel(2, name="Wedge", kind="mix")
        if mic_names:
            mic = dataclasses.replace(mic, mix=2 if by_number else "Wedge")
        else:
            mix = dataclasses.replace(mix, mic=1 if by_number else "Vox")
        if mic_has:
            mic = dataclasses.replace(mic, loop_delay_ms=11.0)
        else:
            mix = dataclasses.replace(mix, loop_delay_ms=11.0)
        other = Channel(3, loop_delay_ms=5.0)
        delays = [setup.loop_delay_s for setup in Show(channels=(other, mic, mix)).setups(3)]
        assert delays == pytest.approx([0.011, 0.011, 0.005])

    def test_smaller_interface_keeps_the_show_running(self) -> None:
        """Oracle: definition. Channels beyond the source are left out and can be told."""
        show = default_show(4)
        assert len(show.setups(2)) == 2
        assert [channel.number for channel in show.beyond(2)] == [3, 4]

    def test_names(self) -> None:
        """Oracle: definition. The file's name wins, then the source's, then the number."""
        show = Show(channels=(Channel(2, name="Bass DI", kind="reference"),))
        assert show.names(4, ("In 1", "In 2", "In 3")) == ("In 1", "Bass DI", "In 3", "Ch 4")


class TestInForce:
    def test_every_value_tells_where_it_came_from(self) -> None:
        """Oracle: what is set here in the file and on the command line; all else is a default."""
        raw = {
            "device": {"rate_hz": 44100, "name": "box"},
            "channels": [{"number": 1, "name": "Vox"}],
            "osc": [{"host": "a"}],
        }
        show = read_show(raw, "show.toml", "file")
        show = with_command_line(show, {"device.name": "usb", "screen.theme": None})
        show = with_targets(show, ["10.0.0.2:7000", "a"])
        found = {setting.path: setting for setting in settings_in_force(show)}
        by_origin = {
            origin: {path for path, setting in found.items() if setting.origin == origin}
            for origin in ("file", "command line")
        }
        assert by_origin["file"] == {
            "device.rate_hz",
            "channels[1].number",
            "channels[1].name",
            "osc[1].host",
        }
        assert by_origin["command line"] == {"device.name", "osc[2].host", "osc[2].port"}
        assert found["device.name"].value == "usb"
        assert found["osc[2].port"].value == 7000
        assert found["screen.theme"].origin == "default"
        assert "osc[3].host" not in found

    def test_impossible_value_of_the_command_line(self) -> None:
        """Oracle: the same limits as in the file."""
        with pytest.raises(UsageError, match=r"device\.rate_hz is 8000; must be 44100"):
            with_command_line(default_show(), {"device.rate_hz": 8000})

    @pytest.mark.parametrize(
        ("text", "host", "port"),
        [
            ("192.168.1.20:9001", "192.168.1.20", 9001),
            ("tablet.local", "tablet.local", 9000),
            ("[fe80::1]:7000", "fe80::1", 7000),
            ("[::1]", "::1", 9000),
        ],
    )
    def test_targets_in_words(self, text: str, host: str, port: int) -> None:
        """Oracle: RFC 3986 writes IPv6 addresses with a port in brackets (from memory)."""
        assert target_from_words(text) == OscTarget(host=host, port=port)

    @pytest.mark.parametrize("text", ["", ":9000", "a:b", "a:0", "a:65536", "a b:9000", "a:-1"])
    def test_words_that_are_no_target(self, text: str) -> None:
        """Oracle: ports are 1 to 65535, a host is not empty."""
        with pytest.raises(UsageError, match="HOST:PORT"):
            target_from_words(text)

    @pytest.mark.parametrize("text", ["99999", "0", "", "here", "127.0.0.1:99999", "a b:9000"])
    def test_words_that_are_no_place_to_listen_at(self, text: str) -> None:
        """Oracle: definition: advice for who listens, not for who sends. A lone word is a host."""
        with pytest.raises(UsageError, match=r"^--osc-in") as told:
            with_osc_in(default_show(), text)
        assert "OSC target" not in str(told.value)
        assert "192.168" not in str(told.value)


class TestSensitivity:
    """Six false alarms a day are `normal` (docs/show-file.md); what is more is proportional."""

    @pytest.mark.parametrize(
        ("detection", "channel", "wanted"),
        [
            ({}, {}, (1.0, "normal")),
            ({"sensitivity": "keen"}, {}, (3.0, "keen")),
            ({"false_alarms_per_day": 12}, {}, (2.0, "12 a day")),
            ({"sensitivity": "calm", "false_alarms_per_day": 6}, {}, (1.0, "6 a day")),
            ({"false_alarms_per_day": 12}, {"sensitivity": "calm"}, (0.33, "calm")),
            ({"sensitivity": "keen"}, {"false_alarms_per_day": 1.5}, (0.25, "1.5 a day")),
        ],
    )
    def test_the_channels_own_goes_first_and_a_number_before_a_word(
        self, detection: dict, channel: dict, wanted: tuple[float, str]
    ) -> None:
        """Oracle: the reference page's words, written out."""
        raw = {"detection": detection, "channels": [{"number": 3, **channel}]}
        show = read_show(raw, "show.toml", "file")
        assert show.sensitivity(show.channels[0]) == wanted
        assert show.setups(3)[2].sensitivity == wanted[0]

    def test_a_channel_with_both_is_a_fault(self) -> None:
        """One of them would be ignored without a word."""
        both = {"number": 3, "sensitivity": "calm", "false_alarms_per_day": 2}
        with pytest.raises(ShowFileError) as caught:
            read_show({"channels": [both]}, "show.toml", "file")
        assert "channels[1].false_alarms_per_day is given together" in str(caught.value)


texts = st.text(st.characters(categories=["L", "N", "Zs", "P"]), min_size=1, max_size=20).filter(
    lambda text: text.strip() and text.isprintable()
)
channels = st.builds(
    Channel,
    number=st.integers(1, 256),
    name=st.just(""),
    kind=st.just("mic"),
    loop_delay_ms=st.none() | st.floats(0.5, 500),
    sensitivity=st.sampled_from([None, *SENSITIVITIES]),
)
targets = st.builds(
    OscTarget,
    host=st.from_regex(r"[a-z]{1,10}\.[a-z]{2}", fullmatch=True),
    port=st.integers(1, 65535),
    messages=st.lists(st.sampled_from(MESSAGES), min_size=1, unique=True).map(tuple),
)


class TestRoundTrip:
    @given(
        st.lists(channels, unique_by=lambda channel: channel.number, max_size=6),
        st.lists(targets, unique_by=lambda target: target.label, max_size=3),
        texts,
        st.sampled_from(RATES_HZ),
    )
    def test_what_is_written_is_read(self, listed, osc, title: str, rate_hz: int) -> None:
        """Oracle: parse(render(x)) == x, rendered by a few lines here and Python's TOML parser."""
        import tomllib

        lines = ["[stage]", f"title = {toml(title)}", "[device]", f"rate_hz = {rate_hz}"]
        for name, tables in (("channels", listed), ("osc", osc)):
            for table in tables:
                lines.append(f"[[{name}]]")
                for key, value in dataclasses.asdict(table).items():
                    if value is not None:
                        lines.append(f"{key} = {toml(value)}")
        show = read_show(tomllib.loads("\n".join(lines)), "x", "file")
        assert show.channels == tuple(listed)
        assert show.osc == tuple(osc)
        assert (show.stage.title, show.device.rate_hz) == (title, rate_hz)


def test_reference_page_is_that_of_the_code() -> None:
    """Oracle: the code. Mend with `python -m prehowl.daemon.show.reference > docs/show-file.md`."""
    assert (ROOT / "docs" / "show-file.md").read_text(encoding="utf-8") == reference_page()

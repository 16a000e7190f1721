"""The watch as a service: notifications, status, metrics, levels, reload; as its keepers see it."""

import contextlib
import http.client
import io
import json
import os
import queue
import signal
import socket
import stat
import struct
import subprocess
import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from conformance import SinkConformance
from fakes import FakeEngine, change, event, snapshot
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from rig.osc import OscReceiver
from rig.watching import Watching, poll, prehowl

from prehowl.daemon.engine_swap import ReplaceableEngine
from prehowl.daemon.errors import OutputError
from prehowl.daemon.facts import facts_of
from prehowl.daemon.log import LEVELS, Log, leads_to_journal
from prehowl.daemon.service.board import About, StatusBoard, faults_of
from prehowl.daemon.service.metrics import CONTENT_TYPE, MetricsServer, metrics_text
from prehowl.daemon.service.notify import Notifier, ServiceSink
from prehowl.daemon.service.reload import on_hangup
from prehowl.daemon.service.socket import Asked, StatusServer, runtime_folders, watches
from prehowl.daemon.sinks.base import Health, OscInCounts
from prehowl.daemon.sources.base import SourceHealth
from prehowl.detectors.rings import RingState

ABOUT = About("9.9", 'The "Quarry"\\', "Stage box", 48000, {1: "Vox 1", 4: "Bass\nDI"})


@contextlib.contextmanager
def hangups(handled: signal.Handlers) -> Iterator[None]:
    """Handle SIGHUP so for a while, and let what is begun meanwhile inherit it."""
    before = signal.signal(signal.SIGHUP, handled)
    try:
        yield
    finally:
        signal.signal(signal.SIGHUP, before)


class TestTheBoardIsASink(SinkConformance):
    """It keeps the promises of every sink."""

    def make(self, tmp_path):
        """Return one."""
        return StatusBoard(ABOUT)


class TestTheNotifierIsASink(SinkConformance):
    """It keeps the promises of every sink, also without anybody to notify."""

    def make(self, tmp_path):
        """Return one."""
        return ServiceSink(Notifier({}))


class Manager:
    """A service manager's end of the notification socket, after sd_notify(3); always listening."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address.replace("@", "\0", 1) if address.startswith("@") else address)
        self.came: queue.Queue[str] = queue.Queue()
        self.thread = threading.Thread(target=self._listen)
        self.thread.start()

    def _listen(self) -> None:
        while (data := self.socket.recv(4096)) != b"enough":
            self.came.put(data.decode())

    def next(self) -> dict[str, str]:
        """Return the assignments of the next datagram."""
        return dict(line.split("=", 1) for line in self.came.get(timeout=20).split("\n"))

    def until(self, name: str) -> dict[str, str]:
        """Return the next datagram that assigns `name`."""
        while name not in (found := self.next()):
            pass
        return found

    def __enter__(self) -> "Manager":
        return self

    def __exit__(self, *_: object) -> None:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as way:
            way.sendto(b"enough", self.socket.getsockname())
        self.thread.join()
        self.socket.close()


class TestNotify:
    """What the manager gets."""

    @pytest.mark.parametrize("abstract", [False, True])
    def test_ready_comes_with_the_first_snapshot_and_stopping_at_the_end(self, tmp_path, abstract):
        """Oracle: sd_notify(3): READY=1, WATCHDOG=1, STATUS=..., STOPPING=1; '@' is abstract."""
        address = f"@prehowl-{os.getpid()}" if abstract else str(tmp_path / "notify")
        with Manager(address) as manager:
            sink = ServiceSink(Notifier({"NOTIFY_SOCKET": address}))
            sink.start()
            sink.on_snapshot(snapshot(3))
            first = manager.next()
            assert (first["READY"], first["WATCHDOG"]) == ("1", "1")
            assert first["STATUS"] == "input running; 3 channels; 0 rings; load 0 %"
            sink.close()
            assert manager.next() == {"STOPPING": "1"}

    def test_a_name_that_utf_8_cannot_hold_ends_no_sign_of_life(self, tmp_path):
        """Oracle: sd_notify(3) takes UTF-8; a file's name may be any bytes."""
        address = str(tmp_path / "notify")
        with Manager(address) as manager:
            Notifier({"NOTIFY_SOCKET": address}).send(STATUS="h\udcff.wav", WATCHDOG=1)
            assert manager.next() == {"STATUS": "h?.wav", "WATCHDOG": "1"}

    @pytest.mark.parametrize(
        ("environment", "expected"),
        [
            ({"WATCHDOG_USEC": "3000000"}, 3.0),
            ({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": str(os.getpid())}, 3.0),
            ({"WATCHDOG_USEC": "3000000", "WATCHDOG_PID": "1"}, None),
            ({"WATCHDOG_USEC": "soon"}, None),
            ({}, None),
        ],
    )
    def test_the_watchdog_is_for_the_process_that_it_names(self, environment, expected):
        """Oracle: sd_watchdog_enabled(3)."""
        assert Notifier(environment).watchdog_s == expected

    def test_a_manager_that_is_gone_is_counted_and_nothing_else(self, tmp_path):
        """Oracle: definition."""
        notifier = Notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")})
        notifier.send(READY=1)
        assert notifier.failed == 1


class TestLog:
    """Lines with a level."""

    def test_the_journal_gets_the_level_and_a_terminal_does_not(self, tmp_path):
        """Oracle: sd-daemon(3): <4> is a warning; JOURNAL_STREAM is device:inode."""
        with (tmp_path / "log").open("w+") as stream:
            told = os.fstat(stream.fileno())
            environment = {"JOURNAL_STREAM": f"{told.st_dev}:{told.st_ino}"}
            assert leads_to_journal(stream, environment)
            Log(stream, environment=environment).warn("a")
            Log(stream, environment={"JOURNAL_STREAM": "1:2"}).warn("b")
            stream.seek(0)
            assert stream.read() == "<4>prehowl: a\nprehowl: b\n"

    @pytest.mark.parametrize("least", LEVELS)
    def test_less_grave_lines_are_left_out(self, least):
        """Oracle: RFC 5424: a smaller number is graver."""
        stream = io.StringIO()
        log = Log(stream, least=least)
        for level in LEVELS:
            log.say(level, level)
        lines = [f"prehowl: {level}" for level, number in LEVELS.items() if number <= LEVELS[least]]
        assert stream.getvalue().splitlines() == lines


def board(**health) -> StatusBoard:
    """Return a board that has seen an alarm, a clear, and a state of health."""
    made = StatusBoard(ABOUT)
    made.start()
    for state in RingState:
        made.on_event(event(state, channel=4))
    howl = event(RingState.HOWLING)
    made.on_snapshot(replace(snapshot(2, rings=[howl]), health=Health(**health)))
    return made


SICK = {
    "source": SourceHealth("waiting", 2, 480, facts_of(["'Stage box' lost"])),
    "load": 0.25,
    "targets": (("tablet", "ok"), ("lights", "refused")),
    "troubles": facts_of(["disc full"]),
}


class TestStatus:
    """What a watch says of itself."""

    def test_the_record_is_what_was_last_true(self):
        """Oracle: by hand."""
        record = board(**SICK).record()
        assert record["device_state"] == "waiting"
        assert record["alarms_by_channel"] == {"4": 1}
        assert [ring["state"] for ring in record["rings"]] == ["howling"]
        assert (record["load"], record["lost_samples"]) == (0.25, 480)
        json.dumps(record, allow_nan=False)

    def test_faults_are_named_and_rings_are_none(self):
        """Oracle: definition."""
        assert faults_of(board().record()) == []
        assert faults_of(board(**SICK).record()) == [
            "input waiting: 'Stage box' lost",
            "OSC to lights: refused",
            "disc full",
        ]
        old = {**board().record(), "news_age_s": 7.0}
        assert faults_of(old) == ["no news from the loop for 7 s: it hangs"]

    def test_who_asks_is_answered_and_leftovers_of_the_dead_are_passed_over(self, tmp_path):
        """Oracle: the record; a socket file that nobody answers behind."""
        server = StatusServer(lambda: {"rate_hz": 7}, tmp_path)
        assert server.start() == ""
        leftover = socket.socket(socket.AF_UNIX)
        leftover.bind(str(tmp_path / "0.sock"))
        leftover.close()
        answered = Asked(os.getpid(), {"rate_hz": 7})
        assert [list(watches((tmp_path, tmp_path))) for _ in range(3)] == [[answered]] * 3
        server.close()
        assert list(watches((tmp_path,))) == []
        assert not server.path.exists()

    @pytest.mark.parametrize("line", [1, 0], ids=["a place in the line", "a full line"])
    def test_who_takes_the_question_and_does_not_answer_is_no_leftover(
        self, tmp_path, monkeypatch, line
    ):
        """Oracle: listen(2), connect(2): the system takes a connection, or has no room for it,
        whatever the process does that listens. The well are answered beside it."""
        monkeypatch.setattr("prehowl.daemon.service.socket.ANSWER_S", 0.2)
        server = StatusServer(dict, tmp_path)
        with (
            socket.socket(socket.AF_UNIX) as hanging,
            socket.socket(socket.AF_UNIX) as before,
        ):
            hanging.bind(str(tmp_path / "1.sock"))
            hanging.listen(line)
            before.connect(str(tmp_path / "1.sock"))
            server.start()
            found = list(watches((tmp_path,)))
            server.close()
        assert found == sorted([Asked(1, None), Asked(os.getpid(), {})], key=lambda a: str(a.pid))

    def test_the_folder_is_the_gate_and_not_the_umask(self, tmp_path):
        """Oracle: unix(7): connecting takes the right to write. 0027 is the system unit's UMask."""
        server = StatusServer(dict, tmp_path / "private")
        before = os.umask(0o027)
        try:
            assert server.start() == ""
        finally:
            os.umask(before)
        modes = [stat.S_IMODE(path.stat().st_mode) for path in (server.path, server.path.parent)]
        server.close()
        assert modes == [0o666, 0o700]

    def test_what_a_stranger_says_is_not_read(self, tmp_path):
        """Oracle: definition. Whatever is sent, the record comes back and the watch answers on."""
        server = StatusServer(lambda: {"rate_hz": 7}, tmp_path)
        server.start()
        for said in (b"", b"GET / HTTP/1.0\r\n\r\n", b'{"verb": "next_act"}\n'):
            with socket.socket(socket.AF_UNIX) as stranger:
                stranger.settimeout(20)
                stranger.connect(str(server.path))
                with contextlib.suppress(BrokenPipeError):  # told and let go already
                    stranger.sendall(said)
                assert json.loads(stranger.recv(4096)) == {"rate_hz": 7}
        server.close()

    def test_a_folder_that_cannot_be_made_is_told_not_raised(self, tmp_path):
        """Oracle: definition: a watch goes without."""
        (tmp_path / "file").touch()
        server = StatusServer(dict, tmp_path / "file" / "folder")
        assert "no answer to --status" in server.start()
        server.close()

    def test_the_managers_folder_comes_first(self):
        """Oracle: systemd.exec(5): RUNTIME_DIRECTORY may hold several, by colons."""
        folders = runtime_folders({"RUNTIME_DIRECTORY": "/run/a:/run/b", "XDG_RUNTIME_DIR": "/x"})
        assert [str(folder) for folder in folders[:3]] == ["/run/a", "/run/b", "/x/prehowl"]


class TestMetrics:
    """What a monitoring system gets."""

    def families(self, record) -> dict[str, dict]:
        """Return the samples by family and labels, as an independent parser reads them."""
        found = {}
        for family in text_string_to_metric_families(metrics_text(record)):
            for sample in family.samples:
                labels = tuple(sorted(sample.labels.items()))
                found.setdefault((family.name, family.type), {})[labels] = sample.value
        return found

    def test_another_parser_reads_what_is_meant(self):
        """Oracle: prometheus_client's parser of OpenMetrics 1.0; names with quotes and feeds."""
        found = self.families(board(**SICK).record())
        alarms = found["prehowl_alarms", "counter"]
        assert alarms[("channel", "1"), ("name", "Vox 1")] == 0
        assert alarms[("channel", "4"), ("name", "Bass\nDI")] == 1
        assert found["prehowl_rings", "gauge"][(("state", "howling"),)] == 1
        assert found["prehowl_input_running", "gauge"][()] == 0
        assert found["prehowl_lost_samples", "counter"][()] == 480
        assert found["prehowl_osc_target_ok", "gauge"][(("target", "lights"),)] == 0
        assert found["prehowl", "info"][(("version", "9.9"),)] == 1

    def test_every_digit_of_a_figure_is_told(self):
        """Oracle: the same parser. A counter of millions moves by ones; a share keeps its part."""
        told = {"source": SourceHealth(lost_samples=12_345_678), "load": 0.125}
        found = self.families(board(**told).record())
        assert found["prehowl_lost_samples", "counter"][()] == 12_345_678
        assert found["prehowl_load_ratio", "gauge"][()] == 0.125

    def test_what_comes_in_over_osc_changes_figures_and_no_name(self):
        """Oracle: definition. Labels stay: a new one at every count would fill a database."""
        one, other = (
            self.families(board(osc_in=OscInCounts("0.0.0.0:9010", n, 2)).record()) for n in (5, 6)
        )
        assert [found["prehowl_osc_in_taken", "counter"][()] for found in (one, other)] == [5, 6]
        assert one["prehowl_osc_in_refused", "counter"][()] == 2
        labels = [{(*key, *samples) for key, samples in found.items()} for found in (one, other)]
        assert labels[0] == labels[1]

    def test_a_watch_that_has_only_begun_is_readable_too(self):
        """Oracle: the same parser."""
        assert self.families(StatusBoard(ABOUT).record())["prehowl_load_ratio", "gauge"][()] == 0

    def test_it_is_served_on_loopback_and_nowhere_else(self):
        """Oracle: HTTP by the standard library's client; the socket's own address."""
        server = MetricsServer(0, board().record)
        server.start()
        try:
            address = f"http://127.0.0.1:{server.port}"
            with urllib.request.urlopen(f"{address}/metrics", timeout=10) as answer:
                assert answer.headers["Content-Type"] == CONTENT_TYPE
                assert answer.read().decode().endswith("# EOF\n")
            with pytest.raises(urllib.error.HTTPError, match="404") as refused:
                urllib.request.urlopen(f"{address}/", timeout=10)
            refused.value.close()
            with pytest.raises(OutputError, match=f"port {server.port} of 127.0.0.1"):
                MetricsServer(server.port, dict)
        finally:
            server.close()

    def test_a_client_that_goes_away_leaves_nothing_on_stderr(self, capsys):
        """Oracle: definition: its lines would lie over the dashboard. Lingering for no time resets
        the connection (socket(7))."""

        def is_served() -> bool:
            return any("process_request" in thread.name for thread in threading.enumerate())

        server = MetricsServer(0, board().record)
        server.start()
        try:
            with socket.create_connection(("127.0.0.1", server.port)) as client:
                client.sendall(b"GET /metr")
                poll(is_served, "the request is begun")
                client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            poll(lambda: not is_served(), "the connection is given up")
            assert (capsys.readouterr().err, server.trouble()) == ("", "")
        finally:
            server.close()

    def test_an_answer_that_fails_is_told_where_trouble_is_told(self, capsys):
        """Oracle: definition: not on stderr, and not lost either. The client sees it closed."""
        server = MetricsServer(0, dict)
        server.start()
        try:
            with pytest.raises(http.client.RemoteDisconnected, match="without response"):
                urllib.request.urlopen(f"http://127.0.0.1:{server.port}/metrics", timeout=10)
            poll(lambda: server.trouble() != "", "it is told")
        finally:
            server.close()
        assert server.trouble() == "--metrics: an answer failed (KeyError: 'channels')"
        assert capsys.readouterr().err == ""


class TestReplaceableEngine:
    """Another engine in the middle of a stream."""

    def test_ids_and_samples_go_on(self):
        """Oracle: by hand. The second engine counts from 0 and from ring 1 again."""
        first = FakeEngine(
            [change(id=2, sample=5, onset_sample=3)],
            [change(RingState.CLEARED, id=2, sample=10)],
        )
        second = FakeEngine([change(id=1, sample=4, onset_sample=1)], [change(id=1, sample=6)])
        engine = ReplaceableEngine(first)
        piece = np.zeros((5, 1), np.float32)
        told = engine.feed(piece) + engine.feed(piece)
        engine.replace(second)
        told += engine.feed(piece) + engine.finish()
        found = [(one.id, one.sample, one.onset_sample) for one in told]
        assert found == [(2, 5, 3), (2, 10, None), (3, 14, 11), (3, 16, None)]
        np.testing.assert_array_equal(second.audio, piece)

    def test_at_another_rate_samples_begin_anew_and_ids_go_on(self):
        """Oracle: by hand. What is left out stays so with every engine that follows."""
        first = FakeEngine([change(id=2, sample=5)], [change(RingState.CLEARED, id=2, sample=10)])
        second, third = FakeEngine([change(id=1, sample=4)]), FakeEngine()
        engine = ReplaceableEngine(first)
        engine.leave_out(["long"], references=True)
        piece = np.zeros((5, 1), np.float32)
        told = engine.feed(piece) + engine.feed(piece) + engine.finish()
        engine.restart(second)
        told += engine.feed(piece)
        engine.replace(third)
        assert [(one.id, one.sample) for one in told] == [(2, 5), (2, 10), (3, 4)]
        assert first.left_out == second.left_out == third.left_out == [(("long",), True)]


class TestAsAService:
    """The real command, as a service manager runs it."""

    @pytest.fixture
    def environment(self, double, tmp_path):
        """Give the environment of a unit with a runtime folder of its own."""
        runtime = tmp_path / "run"
        runtime.mkdir()
        # Watches of others on this machine must not be asked.
        return {**os.environ, "RUNTIME_DIRECTORY": str(runtime), "TMPDIR": str(tmp_path)}

    def status(self, environment, *words) -> tuple[int, str]:
        """Return exit code and output of `watch --status`."""
        done = subprocess.run(
            prehowl("watch", "--status", *words),
            env=environment,
            capture_output=True,
            text=True,
            check=False,
        )
        return done.returncode, done.stdout

    def test_ready_alive_status_and_stopping(self, double, environment, tmp_path):
        """Oracles: sd_notify(3); the documented exit codes of --status."""
        assert self.status(environment)[0] == 1
        address = str(tmp_path / "notify")
        told = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "400000"}
        with Manager(address) as manager:
            words = ["--device", "Stage box A", "--headless", "--channels", "2-5"]
            with Watching(words, {**environment, **told}) as watching:
                assert manager.next()["READY"] == "1"
                manager.until("WATCHDOG")
                code, out = self.status(environment)
                assert code == 0
                assert f"watch {watching.process.pid}: Stage box A, 4 channels" in out
                double.tell(mode="gone", devices=[["Other", 1]])
                watching.wait_for_line("'Stage box A' lost")
                code, out = self.status(environment, "--format", "jsonl")
                assert code == 1
                assert "lost" in json.loads(out)["faults"][0]
                manager.until("WATCHDOG")  # waiting for a device is no reason to be restarted
                watching.process.send_signal(signal.SIGSTOP)
                code, out = self.status(environment)
                assert code == 1
                assert f"watch {watching.process.pid}: does not answer" in out
                code, out = self.status(environment, "--format", "jsonl")
                assert code == 1
                assert list(json.loads(out)) == ["pid", "faults"]
                watching.process.send_signal(signal.SIGCONT)
                assert watching.stop() == 0
                assert manager.until("STOPPING") == {"STOPPING": "1"}
        assert self.status(environment)[0] == 1

    def test_sighup_takes_a_right_show_file_and_leaves_a_wrong_one(self, environment, tmp_path):
        """Oracle: definition. The watch goes on in either case and says which, and that a channel
        added meanwhile is not watched: the device was opened for the one that was named."""
        show, named = tmp_path / "show.toml", "[[channels]]\nnumber = 1\n"
        show.write_text(f"[detection]\nsensitivity = 'calm'\n{named}")
        address = str(tmp_path / "notify")
        with Manager(address) as manager:
            words = ["--device", "0", "--headless", "--show", str(show)]
            with Watching(words, {**environment, "NOTIFY_SOCKET": address}) as watching:
                watching.wait_for_line("watching 'Built-in line'")
                assert manager.next()["READY"] == "1"
                keen = f"[detection]\nsensitivity = 'keen'\n[screen]\ntheme = 'light'\n{named}"
                show.write_text(f"{keen}[[channels]]\nnumber = 2\n")
                watching.process.send_signal(signal.SIGHUP)
                assert int(manager.until("RELOADING")["MONOTONIC_USEC"]) > 0
                line = watching.wait_for_line("show file read again")
                assert "sensitivity, advice in force; at the next start: screen; " in line
                assert line.endswith("; NOT WATCHED before the next start: channel 2\n")
                assert manager.until("READY") == {"READY": "1"}
                show.write_text("[detection]\nsensitivity = 'frantic'\n")
                watching.process.send_signal(signal.SIGHUP)
                line = watching.wait_for_line("show file not taken")
                assert "the one before stays in force" in line
                assert "'frantic'" in line
                assert watching.stop() == 0

    def test_sighup_takes_names_acts_and_receivers_and_names_what_waits(
        self, environment, tmp_path
    ):
        """Oracle: definition. The first receiver stays and hears nothing of it, the second is new;
        the act that is on stays on under its new number; the device waits for a start."""
        show = tmp_path / "show.toml"
        with OscReceiver() as first, OscReceiver() as second:

            def written(*receivers, name, acts, device="") -> None:
                tables = [device, f"[[channels]]\nnumber = 1\nname = '{name}'"]
                tables += [f"[[acts]]\nname = '{act}'" for act in acts]
                tables += [f"[[osc]]\nhost = '127.0.0.1'\nport = {r.port}" for r in receivers]
                show.write_text("\n".join(tables) + "\n")

            written(first, name="Vox", acts=["Alder"])
            words = ["--device", "0", "--headless", "--show", str(show)]
            with Watching(words, environment) as watching:
                watching.wait_for_line("watching 'Built-in line'")
                first.wait_for("/prehowl/heartbeat")
                device = "[device]\nchannels = 1"
                written(first, second, name="Lead", acts=["Birch", "Alder"], device=device)
                watching.process.send_signal(signal.SIGHUP)
                line = watching.wait_for_line("show file read again")
                what = "channel names, running order, OSC receivers and mappings in force"
                assert f"{what}; at the next start: device" in line
                second.wait_for("/prehowl/heartbeat")
                second.wait_for("/prehowl/channel/1/state")
                poll(lambda: [m.args[0] for m in first.of("/prehowl/act/number")][-1:] == [2], "2")
                assert first.of("/prehowl/act/name")[-1].args == ("Alder",)
                code, out = self.status(environment, "--format", "jsonl")
                assert code == 0
                assert json.loads(out)["channels"]["1"] == "Lead"
                written(second, name="Lead", acts=["Birch", "Alder"], device=device)
                watching.process.send_signal(signal.SIGHUP)
                first.wait_for("/prehowl/bye")
                beats = len(second.of("/prehowl/heartbeat"))
                second.wait_for("/prehowl/heartbeat", beats + 2)
                assert second.of("/prehowl/bye") == []
                assert watching.stop() == 0
        numbers = [message.args[0] for message in first.of("/prehowl/heartbeat")]
        assert numbers == list(range(1, len(numbers) + 1))  # no new beginning in between

    def test_sighup_without_a_show_file_is_a_clean_end(self, environment):
        """Oracle: definition: a terminal that hangs up ends the watch, as it would any program."""
        with hangups(signal.SIG_DFL):  # also where these tests themselves run under nohup
            watching = Watching(["--device", "0", "--headless"], environment)
        with watching:
            watching.wait_for_line("watching 'Built-in line'")
            assert watching.stop(signal.SIGHUP) == 0
            assert "watched 0:0" in watching.err[-1]

    def test_a_watch_under_nohup_does_not_end_with_its_terminal(self, environment):
        """Oracle: nohup(1): SIGHUP is ignored; signal(7): a child inherits that. The system's own
        answer tells that it still is."""
        with hangups(signal.SIG_IGN):
            watching = Watching(["--device", "0", "--headless"], environment)
        with watching:
            watching.wait_for_line("watching 'Built-in line'")
            status = Path(f"/proc/{watching.process.pid}/status").read_text()
            (ignored,) = (line for line in status.splitlines() if line.startswith("SigIgn"))
            assert int(ignored.split()[1], 16) >> (signal.SIGHUP - 1) & 1
            assert watching.stop() == 0

    @pytest.mark.parametrize(("even_if_ignored", "calls"), [(False, 0), (True, 1)])
    def test_an_ignored_hangup_still_reads_the_show_file(self, even_if_ignored, calls):
        """Oracle: definition. Only where it would be the end is it left alone; in either case it
        is as before afterwards."""
        called = []
        with hangups(signal.SIG_IGN):
            with on_hangup(lambda: called.append(1), even_if_ignored=even_if_ignored):
                signal.raise_signal(signal.SIGHUP)
            assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
        assert len(called) == calls

    def test_metrics_are_served_while_it_runs(self, environment):
        """Oracle: the parser of others, on what the real command serves."""
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        words = ["--device", "0", "--headless", "--metrics", str(port)]
        with Watching(words, environment) as watching:
            watching.wait_for_line("watching 'Built-in line'")

            def is_running() -> bool:
                url = f"http://127.0.0.1:{port}/metrics"
                try:
                    with urllib.request.urlopen(url, timeout=10) as answer:
                        text = answer.read().decode()
                except urllib.error.URLError:  # not open yet
                    return False
                families = {f.name: f for f in text_string_to_metric_families(text)}
                return families["prehowl_input_running"].samples[0].value == 1

            poll(is_running, "running")
            assert watching.stop() == 0

    def test_log_level_leaves_out_what_is_no_trouble(self, environment):
        """Oracle: definition. A watch that is well says nothing at level `warning`."""
        words = ["--device", "0", "--headless", "--log-level", "warning", "--seconds", "0.5"]
        done = subprocess.run(
            prehowl("watch", *words),
            env=environment,
            stdin=subprocess.DEVNULL,
            capture_output=True,
            text=True,
            check=False,
        )
        assert (done.returncode, done.stderr) == (0, "")

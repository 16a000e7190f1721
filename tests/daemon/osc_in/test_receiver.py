"""The port that is listened on: who is let in, what is counted, and a storm of nonsense."""

import random
import socket
from collections.abc import Iterator
from dataclasses import asdict
from types import SimpleNamespace

import pytest
from osc_packets import bundle, message, mutated, random_packet, valid_packets
from osc_receiver import wait_for
from oscpy.parser import read_message

from prehowl.daemon.errors import SYSTEM_FAILURE, NetworkError
from prehowl.daemon.osc_in import receiver as receiving
from prehowl.daemon.osc_in.allow import AllowList, is_loopback
from prehowl.daemon.osc_in.flood import MOST_BYTES, MOST_DATAGRAMS, FloodGuard
from prehowl.daemon.osc_in.receiver import QUEUE_LENGTH, Inbox, Receiver
from prehowl.daemon.osc_in.verbs import FORMS, Verb

HERE = ("127.0.0.1", 5000)
NOISE, DAMAGED = 20_000, 20_000
"""Datagrams of the short run; `python -m prehowl.daemon.bench.osc_fuzz` is the long one."""


def inbox(**more) -> Inbox:
    return Inbox(AllowList(), **more)


class TestWhoIsLetIn:
    @pytest.mark.parametrize(
        ("host", "is_in"),
        [
            ("192.168.20.31", True),
            ("192.168.20.32", False),
            ("10.1.2.3", True),
            ("10.2.2.3", False),
            ("::ffff:10.1.2.3", True),
            ("fe80::7%eth0", True),
            ("127.0.0.1", False),
        ],
    )
    def test_addresses_and_networks(self, host: str, is_in: bool) -> None:
        """Oracle: the networks' definition (RFC 4632), by hand; a list replaces the default."""
        allow = AllowList(("192.168.20.31", "10.1.0.0/16", "fe80::/10"))
        assert allow.has(host) is is_in

    def test_an_empty_list_is_this_computer(self) -> None:
        """Oracle: docs/osc.md."""
        assert AllowList().has("127.0.0.1")
        assert AllowList().has("::1")
        assert not AllowList().has("192.168.20.31")

    @pytest.mark.parametrize(
        ("host", "so"),
        [("127.0.0.1", True), ("localhost", True), ("::1", True), ("0.0.0.0", False), ("x", False)],
    )
    def test_which_hosts_are_this_computer_alone(self, host: str, so: bool) -> None:
        """Oracle: RFC 1122 and RFC 4291; a name is not taken on trust."""
        assert is_loopback(host) is so

    def test_a_stranger_is_counted_and_no_more(self) -> None:
        """A valid verb from a host that is not on the list reaches nobody."""
        box = inbox()
        box.take_in(message("/prehowl/do/next_act"), ("192.168.20.99", 5000))
        assert box.take() == []
        assert (box.counts.datagrams, box.counts.not_allowed, box.counts.taken) == (1, 1, 0)


class TestCounting:
    def test_each_kind_of_nonsense_has_its_count(self) -> None:
        """Oracle: one of each, by hand."""
        box = inbox(verbs=frozenset({Verb.HOLD}))
        for packet in (
            b"nonsense",
            message("/prehowl/do/dance"),
            message("/prehowl/do/hold", "s", "x"),
            message("/prehowl/do/hold", "ii", 1, 9999),
            message("/prehowl/do/next_act"),
            message("/prehowl/do/hold", "ii", 1, 60),
        ):
            box.take_in(packet, HERE)
        counts = box.counts
        assert (counts.malformed, counts.unknown_address, counts.wrong_types) == (1, 1, 1)
        assert (counts.out_of_range, counts.not_wanted, counts.taken) == (1, 1, 1)
        assert counts.refused == 5
        assert [command.verb for command in box.take()] == [Verb.HOLD]

    def test_a_bundle_is_all_or_nothing(self) -> None:
        """Nothing of a damaged bundle is obeyed; of a whole one everything, in order."""
        box = inbox()
        good = bundle(message("/prehowl/do/next_act"), message("/prehowl/do/snapshot"))
        box.take_in(good[:-4], HERE)
        assert box.take() == []
        box.take_in(good, HERE)
        assert [command.verb for command in box.take()] == [Verb.NEXT_ACT, Verb.SNAPSHOT]

    def test_the_queue_is_bounded(self) -> None:
        """What nobody fetches is refused, not kept: the oldest stay, the rest is counted."""
        box = inbox()
        for _ in range(QUEUE_LENGTH + 10):
            box.take_in(message("/prehowl/do/next_act"), HERE)
        assert box.counts.queue_full == 10
        assert len(box.take()) == QUEUE_LENGTH
        assert box.take() == []


class TestFlood:
    """Oracle: docs/osc.md: so many datagrams and so many bytes a second are looked at."""

    @pytest.mark.parametrize("size", [8, 28, 64, 65, 500, 8192])
    def test_a_second_holds_so_much_and_the_next_as_much_again(self, size: int) -> None:
        """Datagrams of one size, far too many, in each of two seconds: either bound holds, and
        ordinary ones are not held up by that of the bytes."""
        guard, looked_at = FloodGuard(), []
        for second in (100.0, 101.0):
            passed = 0
            for n in range(3 * MOST_DATAGRAMS):
                if guard.lets_in(second + n / (3 * MOST_DATAGRAMS)):
                    guard.spend(size)
                    passed += 1
            looked_at.append(passed)
        assert looked_at[0] == looked_at[1]
        assert looked_at[0] == min(MOST_DATAGRAMS, -(-MOST_BYTES // size))

    def test_a_stranger_does_not_use_up_the_bytes(self) -> None:
        """What is not read costs nothing, so it keeps nobody else out."""
        box = inbox()
        long = bundle(*[message("/a")] * 100)
        assert box.take_in(long, ("192.168.20.99", 5000)) == 0
        assert box.take_in(long, HERE) == box.take_in(bytes(len(long)), HERE) == len(long)


def is_documented(packet: bytes) -> bool:
    """Tell, by oscpy's reading and the addresses of the table, whether a packet may be a verb."""
    try:
        address, *_ = read_message(packet, encoding="utf-8")
    except Exception:
        return packet.startswith(b"#bundle\0")
    word = address.decode("latin-1")
    if "/channel/" in word:
        head, _, tail = word.partition("/channel/")
        word = f"{head}/channel/<n>/{tail.partition('/')[2]}"
    return word in {form.address for form in FORMS}


class TestStorm:
    def test_noise_changes_nothing_but_counters(self) -> None:
        """Oracle: random bytes are no verb; every datagram is counted once, none is taken."""
        dice, box = random.Random(11), inbox()
        for _ in range(NOISE):
            box.take_in(random_packet(dice), HERE)
        assert box.take() == []
        assert box.counts.taken == 0
        assert box.counts.datagrams == NOISE == box.counts.refused

    def test_damaged_verbs_change_nothing_but_counters(self) -> None:
        """Oracle: oscpy. What is taken of damaged packets is still a documented verb by its word.

        A changed channel number is a valid verb that nobody can tell from a meant one; so the few
        that come through must be packets whose address a second reader finds in the table.
        """
        dice, box, taken = random.Random(12), inbox(), 0
        packets = valid_packets()
        for i in range(DAMAGED):
            packet = mutated(packets[i % len(packets)], dice)
            box.take_in(packet, HERE)
            commands = box.take()
            taken += len(commands)
            if commands:
                assert is_documented(packet), packet
        assert box.counts.datagrams == DAMAGED
        assert taken < DAMAGED / 4


@pytest.fixture
def receiver() -> Iterator[Receiver]:
    made = Receiver("127.0.0.1", 0)
    made.start()
    yield made
    made.close()


class TestSocket:
    def test_takes_a_verb_amid_nonsense_and_lives_on(self, receiver: Receiver) -> None:
        """End to end on loopback: nonsense before and after does not stop a valid verb."""
        dice = random.Random(13)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
            way.connect(("127.0.0.1", receiver.port))
            for _ in range(2):
                for _ in range(50):
                    way.send(random_packet(dice))
                way.send(message("/prehowl/do/next_act"))
            wait_for(lambda: receiver.counts.datagrams == 102)
        commands = receiver.take()
        assert [command.verb for command in commands] == [Verb.NEXT_ACT] * 2
        assert commands[0].by == "osc 127.0.0.1"

    def test_a_flood_of_full_bundles_is_not_looked_at(
        self, receiver: Receiver, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Within one second, by a clock that stands: 40 bundles of 681 messages each, the most
        that fit; all but what the bytes allow are refused unread."""
        monkeypatch.setattr(receiving, "time", SimpleNamespace(monotonic=lambda: 7.0))
        full = bundle(*[message("/")] * 681)
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
            for n in range(40):
                way.sendto(full, ("127.0.0.1", receiver.port))
                wait_for(lambda n=n: receiver.counts.datagrams == n + 1)
        looked_at = -(-MOST_BYTES // len(full))
        assert receiver.counts.flooded == 40 - looked_at
        assert receiver.counts.unknown_address == 681 * looked_at

    def test_too_large_a_datagram_is_counted(self, receiver: Receiver) -> None:
        """A datagram as large as UDP allows is refused like any other nonsense."""
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
            way.sendto(bytes(60_000), ("127.0.0.1", receiver.port))
            wait_for(lambda: receiver.counts.datagrams == 1)
        assert receiver.counts.malformed == 1

    def test_a_port_in_use_is_one_readable_line(self, receiver: Receiver) -> None:
        """Oracle: the contract of errors: what, where, how to mend it; exit code 3."""
        second = Receiver("127.0.0.1", receiver.port)
        with pytest.raises(NetworkError, match=f"127.0.0.1:{receiver.port}.*Choose another") as e:
            second.start()
        assert e.value.exit_code == SYSTEM_FAILURE

    def test_close_may_come_twice_and_frees_the_port(self) -> None:
        """The port can be had again at once."""
        first = Receiver("127.0.0.1", 0)
        first.start()
        port = first.port
        first.close()
        first.close()
        again = Receiver("127.0.0.1", port)
        again.start()
        again.close()
        assert sum(asdict(first.counts).values()) == 0

"""Signals become a flag, handlers come back, and a second Ctrl-C is the way out."""

import signal
import threading

import pytest

from prehowl.daemon.stopping import StopFlag, stop_on_signals


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_sets_the_flag_and_names_the_exit_code(number):
    """The shell's convention: 128 plus the number of the signal (POSIX shells, common practice)."""
    with stop_on_signals() as flag:
        assert not flag.is_set()
        signal.raise_signal(number)
        assert flag.is_set()
    assert flag.exit_code == 128 + number


def _torn(handler_before):
    with stop_on_signals():
        assert signal.getsignal(signal.SIGINT) is not handler_before
        raise RuntimeError("torn")


def test_handlers_are_restored_also_after_a_fault():
    """After the block, signals do what they did before."""
    before = {number: signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)}
    with pytest.raises(RuntimeError, match="torn"):
        _torn(before[signal.SIGINT])
    assert {number: signal.getsignal(number) for number in before} == before


def test_a_second_ctrl_c_gets_out_of_what_hangs():
    """Where nobody looks at the flag, the second signal interrupts as usual."""
    with stop_on_signals() as flag:
        signal.raise_signal(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert flag.exit_code == 130


def test_other_threads_get_a_flag_without_handlers():
    """Python allows handlers in the main thread only; elsewhere the flag is set by hand."""
    seen = []

    def work():
        with stop_on_signals() as flag:
            flag.set()
            seen.append((flag.is_set(), flag.exit_code))

    before = signal.getsignal(signal.SIGINT)
    thread = threading.Thread(target=work)
    thread.start()
    thread.join(5)
    assert seen == [(True, 0)]
    assert signal.getsignal(signal.SIGINT) is before


def test_the_first_signal_is_the_one_that_counts():
    """A flag set by hand and then by a signal stays without a signal."""
    flag = StopFlag()
    flag.set()
    flag.set(15)
    assert flag.exit_code == 0

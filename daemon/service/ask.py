"""`--status`: what running watches say of themselves."""

import json
import sys
from collections.abc import Mapping
from typing import Any

from prehowl.daemon.errors import FOUND_A_PROBLEM, OK
from prehowl.daemon.service.board import faults_of
from prehowl.daemon.service.socket import ANSWER_S, Asked, runtime_folders, watches
from prehowl.daemon.sinks.words import counted, printable, time_words

NO_ANSWER = (
    f"no answer within {ANSWER_S:g} s: it hangs, is stopped, or gets no computing time; "
    "if it stays so, end it (kill -9) and start it anew"
)


def print_status(*, as_json: bool) -> int:
    """Ask every watch on this machine that may be asked, and print what it says.

    Parameters
    ----------
    as_json : bool
        One JSON object a line instead of words.

    Returns
    -------
    int
        0 if all are well, 1 if one is not, does not answer, or none runs.
    """
    code = OK
    count = 0
    for asked in watches(runtime_folders()):
        count += 1
        record = {"pid": asked.pid} if asked.record is None else asked.record
        faults = [NO_ANSWER] if asked.record is None else faults_of(asked.record)
        code = FOUND_A_PROBLEM if faults else code
        if as_json:
            print(json.dumps({**record, "faults": faults}, ensure_ascii=False))  # noqa: T201
        else:
            print("\n".join(_words(asked, faults)))  # noqa: T201
    if count:
        return code
    folders = ", ".join(str(folder) for folder in runtime_folders())
    print(f"prehowl: no watch answers in {folders}", file=sys.stderr)  # noqa: T201
    return FOUND_A_PROBLEM


def _words(asked: Asked, faults: list[str]) -> list[str]:
    told = [] if asked.record is None else _what_it_says(asked.record)
    checks = [f"  CHECK: {printable(fault)}" for fault in faults]
    return [*(told or [f"watch {asked.pid}: does not answer"]), *checks]


def _what_it_says(record: Mapping[str, Any]) -> list[str]:
    alarms = sum(record["alarms_by_channel"].values())
    head = (
        f"watch {record['pid']}: {printable(record['title'])}, "
        f"{counted(len(record['channels']), 'channel')} at {record['rate_hz']} Hz, "
        f"up {time_words(record['up_s'])}"
    )
    rings = ", ".join(
        f"{ring['state']} {printable(ring['channel_name'])} {ring['frequency_hz']:.0f} Hz"
        for ring in record.get("alerts", record["rings"])
    )
    return [
        head,
        f"  input {record['device_state']}, load {100 * record.get('load', 0):.0f} %, "
        f"{counted(alarms, 'alarm')}, rings now: {rings or 'none'}",
    ]

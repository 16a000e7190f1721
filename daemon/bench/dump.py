"""Write what was said and what was true, case by case, so that each miss can be looked at.

`cases.jsonl` holds one object a closed-loop case, `howl_free.jsonl` one an excerpt in which the
engine spoke; events are the records of the event contract.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import Any

from prehowl.daemon.bench.cases import RATE_HZ
from prehowl.daemon.bench.records import Heard, HeardCase, HeardExcerpt
from prehowl.daemon.bench.score import RingScore, score_case
from prehowl.daemon.errors import OutputError
from prehowl.daemon.events import event_from_change
from prehowl.detectors.rings import RingChange


def write(heard: Heard, folder: Path) -> None:
    """Write both files into a folder, which is made if need be.

    Raises
    ------
    OutputError
        If the folder cannot be made or written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        _write_lines(folder / "cases.jsonl", (case_record(case) for case in heard.cases))
        told = (excerpt_record(e) for e in heard.excerpts if e.changes)
        _write_lines(folder / "howl_free.jsonl", told)
    except OSError as fault:
        raise OutputError(
            f"--dump {folder}: cannot write there ({fault.strerror}); choose another folder"
        ) from fault


def _write_lines(path: Path, records: Iterable[dict[str, Any]]) -> None:
    with path.open("w", encoding="utf-8") as file:
        for record in records:
            file.write(json.dumps(record, ensure_ascii=False, allow_nan=False) + "\n")


def case_record(case: HeardCase) -> dict[str, Any]:
    """Return one case as plain types: what it was, its truth, the verdicts, the events."""
    score = score_case(case)
    return {
        "type": "case",
        "name": case.spec.name,
        "seed": case.spec.seed,
        "kind": case.spec.kind,
        "shape": case.spec.shape,
        "programme": case.spec.programme,
        "material": case.material,
        "tap": case.spec.tap,
        "level_dbfs": round(case.spec.level_dbfs, 1),
        "true_rings": [_rounded(asdict(ring)) for ring in case.rings],
        "real_hz": [round(hz, 2) for hz in case.real_hz],
        "verdicts": [_verdict(ring) for ring in score.rings],
        "wrong_alarms": score.wrong_alarms,
        "suspected": score.is_suspected,
        "alarmed": score.is_alarmed,
        "applied_cuts": [_rounded(asdict(cut)) for cut in case.cuts],
        "events": list(_events(case.changes)),
    }


def excerpt_record(heard: HeardExcerpt) -> dict[str, Any]:
    """Return one excerpt with what the engine said of it."""
    piece = heard.excerpt.piece
    return {
        "type": "howl_free",
        "name": heard.excerpt.name,
        "seed": heard.excerpt.seed,
        "group": piece.group,
        "family": piece.family,
        "start_s": heard.excerpt.start_s,
        "seconds": heard.excerpt.seconds,
        "level_dbfs": round(heard.excerpt.level_dbfs, 1),
        "parts": list(piece.parts[:1]),
        "events": list(_events(heard.changes)),
    }


def _verdict(ring: RingScore) -> dict[str, Any]:
    if ring.alarm_s is None:
        word = "missed"
    elif ring.lead_s is None:
        word = "alarmed"
    else:
        word = "in time" if ring.lead_s >= 0 else "late"
    return _rounded(
        {
            "frequency_hz": ring.true.frequency_hz,
            "verdict": word,
            "alarm_s": ring.alarm_s,
            "lead_s": ring.lead_s,
            "error_cents": ring.error_cents,
            "right_band": ring.is_right_band,
            "cleared_in_time": ring.cleared_in_time,
            "alarms": ring.alarms,
            "cut_short": ring.cut_short,
            "instant": ring.is_instant,
        }
    )


def _rounded(record: dict[str, Any]) -> dict[str, Any]:
    return {k: round(v, 3) if isinstance(v, float) else v for k, v in record.items()}


def _events(changes: Iterable[RingChange]) -> Iterator[dict[str, Any]]:
    for change in changes:
        names = [""] * (change.ch + 1)
        yield event_from_change(change, names, RATE_HZ).record()

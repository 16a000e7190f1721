"""The pages: links lead somewhere, commands exist, the map names the code, figures are the code's.

Oracle throughout: the program itself (its parsers, its files, its tables), never a copy of it.
"""

import ast
import inspect
import math
import re
import shlex
from pathlib import Path

import pytest

from prehowl.daemon.bench.held_loops import PIECE_S, UNDER_WORTH
from prehowl.daemon.cli import COMMANDS, parser_of
from prehowl.daemon.errors import UsageError
from prehowl.detectors import HOWL_TESTS, loop
from prehowl.detectors.candidates import (
    LARGEST_RESIDUAL_DB,
    LARGEST_SMEAR_DB,
    SMALLEST_RISE_DB,
)
from prehowl.detectors.designs import DESIGNS, SLOW_STEP, Design
from prehowl.detectors.framing import quantum_length
from prehowl.detectors.known_places import LIKELIER, MOST, NEAR_CENTS
from prehowl.detectors.lingering import BELOW_STRONGEST_DB, QUIETEST_CANDIDATE_DB
from prehowl.detectors.lingering_signals import (
    BESIDE_BINS,
    JUST_S,
    REST_S,
    STANDS_OVER_DB,
    STANDS_SHARE,
    STANDS_WITHIN_DB,
)
from prehowl.detectors.lone_tone import (
    AT_END_STOP_S,
    FULL_SCALE_DBFS,
    LEAST_SHARE,
    LEAST_WITH_MULTIPLES,
    MOST_CENTS,
    MOST_FALL_DB,
    STANDS_S,
)
from prehowl.detectors.longterm import FAST_S, LEAST_PROMINENCE_DB, QUIETEST_LINE_DB, SLOW_S
from prehowl.detectors.loop import USUAL_CUT_DB
from prehowl.detectors.loudest_line import MULTIPLES
from prehowl.detectors.loudest_line import QUIETEST_DBFS as LONE_DBFS
from prehowl.detectors.peaks import LOBE_RATIO, QUIETEST_DBFS
from prehowl.detectors.resolution import QUIETEST_SHARE
from prehowl.detectors.ring_level import BACK_DOWN_DB, FALLEN_DB, FALLEN_S, LINGERING_EVERY_S
from prehowl.detectors.ring_states import (
    BACK_DOWN_S,
    LOST_AFTER_S,
    SUSPECT_HOLD_S,
    SUSPECT_KEEPS_DB,
    SUSPECT_LONGEST_S,
    TAKEOVER_S,
    TAKEOVER_SHARE,
)
from prehowl.detectors.rings import MOVES
from prehowl.detectors.standing_line import (
    GONE_DB,
    LEAST_AMONG,
    LEAST_SEEN,
    MISSED_S,
    MOST_SAGS,
    NEW_DB,
    OTHERS,
    STANDING_SHARE,
    SUSPECT_S,
    WHOLE_SHARE,
    WORD_SHARE,
)
from prehowl.detectors.stopped import BACK_DB, BACK_FOR_S, BACK_S, BACK_SHARE
from prehowl.detectors.tracks import LOOKS
from prehowl.detectors.verdict import SUSPECT_FROM

ROOT = Path(__file__).parent.parent
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md")])
MAP = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
SHELLS = {"", "sh", "bash", "console", "toml"}

LINK = re.compile(r"!?\[[^\]]*\]\(([^)\s]+)\)")
FENCE = re.compile(r"^[ ]*```(\w*)\n(.*?)^[ ]*```", re.MULTILINE | re.DOTALL)
INLINE = re.compile(r"(?<!`)`(prehowl [^`\n]+)`(?!`)")
COMMAND = re.compile(r"(?:^|[\s/])prehowl (.+)$")


def page(name: str) -> str:
    """Return the text of a page."""
    return (ROOT / name).read_text(encoding="utf-8")


def anchors(text: str) -> set[str]:
    """Return the anchors of a page's headings as code hosts make them."""
    heads = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", head.lower()).replace(" ", "-") for head in heads}


def broken_links(path: Path) -> list[str]:
    """Return the relative links of a page that lead nowhere."""
    text = path.read_text(encoding="utf-8")
    broken = []
    for target in LINK.findall(FENCE.sub("", text)):
        if "://" in target or target.startswith("mailto:"):
            continue
        name, _, anchor = target.partition("#")
        file = path.parent / name if name else path
        if not file.exists() or (anchor and anchor not in anchors(file.read_text("utf-8"))):
            broken.append(target)
    return broken


def fenced_commands(path: Path) -> list[list[str]]:
    """Return the words behind `prehowl` of every command line in a page's fenced blocks."""
    found = []
    for language, body in FENCE.findall(path.read_text(encoding="utf-8")):
        for line in body.splitlines() if language in SHELLS else ():
            match = COMMAND.search(line.partition(" #")[0])
            if match and match[1].split()[0] in COMMANDS:
                found.append(shlex.split(re.split(r"\s[|>]", match[1])[0]))
    return found


def fault_in(words: list[str]) -> str | None:
    """Return what the program's own parser holds against a command line, or None."""
    try:
        parser_of(words[0]).parse_args(words[1:])
    except (UsageError, SystemExit) as fault:
        return f"prehowl {shlex.join(words)}: {fault!r}"
    return None


CASES = [(path, words) for path in PAGES for words in fenced_commands(path)]


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_links_lead_somewhere(path):
    """Every relative link names a file that exists, and its anchor a heading of that file."""
    assert broken_links(path) == []


def test_a_broken_link_is_found(tmp_path):
    """The check above can fail: a missing file and a missing heading are both told."""
    text = "# Here\n[a](gone.md) [b](#nowhere) [c](#here) [d](https://example.org/x)\n"
    made = tmp_path / "page.md"
    made.write_text(text, encoding="utf-8")
    assert broken_links(made) == ["gone.md", "#nowhere"]


@pytest.mark.parametrize(
    ("path", "words"), CASES, ids=[f"{p.name}: {shlex.join(w)}" for p, w in CASES]
)
def test_fenced_commands_parse(path, words):
    """Every `prehowl ...` line of a fenced block is taken by that command's own parser."""
    assert fault_in(words) is None


def test_every_command_is_shown_and_a_wrong_one_is_found():
    """Each command stands in a fenced block somewhere; an invented option is refused."""
    assert {words[0] for _, words in CASES} == set(COMMANDS)
    assert fault_in(["scan", "a.wav", "--no-such-option"]) is not None


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_inline_commands_exist(path):
    """A command named in running text exists, and so do its options."""
    for text in INLINE.findall(path.read_text(encoding="utf-8")):
        name, *rest = text.split()[1:]
        if name.isupper() or name.startswith("-"):
            continue
        assert name in COMMANDS, text
        known = parser_of(name).format_help()
        if name == "bench":
            known += Path(ROOT / "daemon/commands/bench.py").read_text(encoding="utf-8")
        missing = [word for word in rest if word.startswith("--") and word not in known]
        assert missing == [], text


def snippets(path: Path) -> list[str]:
    """Return a page's fenced Python that imports from the program."""
    fences = FENCE.findall(path.read_text(encoding="utf-8"))
    return [body for language, body in fences if language == "python" and "import" in body]


@pytest.mark.parametrize("code", [code for path in PAGES for code in snippets(path)])
def test_snippets_call_what_there_is(code):
    """What a snippet imports is there, and every call of it fits the function's own signature."""
    tree = ast.parse(code)
    names: dict[str, object] = {}
    exec("\n".join(ast.unparse(n) for n in tree.body if isinstance(n, ast.ImportFrom)), names)
    calls = [node for node in ast.walk(tree) if isinstance(node, ast.Call)]
    ours = [
        (getattr(names[call.func.value.id], call.func.attr), call)
        for call in calls
        if isinstance(call.func, ast.Attribute)
        and isinstance(call.func.value, ast.Name)
        and call.func.value.id in names
    ]
    assert ours
    for function, call in ours:
        keywords = {word.arg: None for word in call.keywords}
        inspect.signature(function).bind(*call.args, **keywords)


def readme_commands() -> list[str]:
    """Return the two set-up commands of the README."""
    return [
        line
        for _, body in FENCE.findall(page("README.md"))
        for line in body.splitlines()
        if line.startswith("python3 -m venv")
    ]


def test_readme_commands_are_those_of_ci():
    """CI runs both commands word for word; only options that make the demo end may follow."""
    demo, tests = readme_commands()
    lines = [line.strip() for line in page(".ci/run").splitlines()]
    assert demo.endswith("prehowl demo")
    assert any(line.startswith(f"{demo} --seconds ") for line in lines)
    assert tests in lines


def test_readme_opens_with_the_job():
    """Behind its title the README holds one paragraph, a picture, and soon the two commands."""
    parts = page("README.md").split("\n\n")
    assert parts[0] == "# prehowl"
    assert "\n" not in parts[1]
    assert parts[2].startswith("![")


def mapped_files() -> set[str]:
    """Return every file that the developers' map has a row for."""
    return set(re.findall(r"^\| `([^`]+\.py)` \|", MAP, re.MULTILINE))


def test_map_names_only_what_exists():
    """Each file of the map is there."""
    assert [name for name in sorted(mapped_files()) if not (ROOT / name).is_file()] == []


def test_map_names_every_module():
    """Each module of daemon/ and detectors/ has a row; package markers need none."""
    modules = {
        str(path.relative_to(ROOT))
        for folder in ("daemon", "detectors")
        for path in (ROOT / folder).rglob("*.py")
        if path.name != "__init__.py"
    }
    assert sorted(modules - mapped_files()) == []


def test_every_page_is_in_the_index():
    """Each page of docs/ can be reached from docs/index.md."""
    linked = set(LINK.findall(page("docs/index.md")))
    names = {path.name for path in (ROOT / "docs").glob("*.md")} - {"index.md"}
    assert sorted(names - linked) == []


def test_detection_page_lists_the_howl_tests():
    """The table of howl tests holds the names of the evidence, in the list's order."""
    assert re.findall(r"^\| `(\w+)` \| `\w+\.py` \|", page("docs/detection.md"), re.M) == [
        *HOWL_TESTS
    ]


def test_detection_page_lists_the_moves():
    """The table of moves is that of `rings.MOVES`; `any` stands for all living states."""
    section = page("docs/detection.md").partition("| from | to |")[2]
    told = set()
    for start, end in re.findall(r"^\| ([^|]+) \| `(\w+)` \|", section, re.MULTILINE):
        states = ["suspect", "ringing", "howling"] if start == "any" else start.split(", ")
        told |= {(state.strip("`"), end) for state in states}
    true = {(str(a or "nothing"), str(b)) for a, moves in MOVES.items() for b in moves}
    assert told == true


def hertz(frequency_hz: float) -> str:
    """Return a frequency as the pages write it."""
    return f"{frequency_hz / 1000:g} kHz" if frequency_hz >= 1000 else f"{frequency_hz:g} Hz"


def row_of(design: Design) -> str:
    """Return the row of a resolution at 48 kHz."""
    quantum_s = quantum_length(48_000) / 48_000
    hop_s = design.hop_quanta * quantum_s
    judged_s = design.every * max(hop_s, quantum_s)
    spans_s = [(LOOKS - 1) * step * hop_s for step in design.steps]
    spans_s += [(LOOKS - 1) * step * SLOW_STEP * hop_s for step in design.slow_steps]
    low, high = hertz(design.low_hz), hertz(design.high_hz)
    reach = f"{low.removesuffix(' Hz')} to {high}" if high.endswith(" Hz") else f"{low} to {high}"
    back = ", ".join(f"{span_s:.2f}" for span_s in sorted({round(s, 2) for s in spans_s}))
    return (
        f"| {design.name} | {1000 * design.frame_quanta * quantum_s:.1f} ms | "
        f"{1000 * hop_s:.1f} ms | {reach} | {1000 * judged_s:.1f} ms | {back} s |"
    )


@pytest.mark.parametrize("design", DESIGNS, ids=lambda design: design.name)
def test_detection_page_lists_the_resolutions(design):
    """The row of each resolution is its own design in milliseconds and hertz, at 48 kHz."""
    assert row_of(design) in page("docs/detection.md").splitlines()


def test_detection_page_tells_the_limits_of_peaks_and_rises():
    """The page's figures are the constants of peaks, resolution and rises."""
    text = page("docs/detection.md")
    assert f"above {QUIETEST_DBFS:g} dBFS" in text
    assert f"{10 * math.log10(LOBE_RATIO):.0f} dB above both sides" in text
    assert f"more than {-10 * math.log10(QUIETEST_SHARE):.0f} dB under the channel's power" in text
    assert f"at {LOOKS} equally spaced looks back" in text
    assert f"less than {SMALLEST_RISE_DB:g} dB" in text
    assert f"more than {LARGEST_RESIDUAL_DB:g} dB (RMS)" in text
    assert f"more than {LARGEST_SMEAR_DB:g} dB within a frame" in text


def test_limits_of_the_states_are_those_of_the_tracker():
    """The pages' figures for howling and cleared are the tracker's constants."""
    detection, states = page("docs/detection.md"), page("docs/states.md")
    assert f"{100 * TAKEOVER_SHARE:g} % of the channel's power for {1000 * TAKEOVER_S:g} ms" in (
        detection
    )
    assert f"For {1000 * TAKEOVER_S:g} ms since the alarm" in states
    assert f"{100 * TAKEOVER_SHARE:g} % or more" in states
    for text in (detection, states):
        assert f"{LOST_AFTER_S:g} s" in text
        assert f"{FALLEN_DB:g} dB" in text
        assert f"for {FALLEN_S:g} s" in text
        assert f"for {SUSPECT_HOLD_S:g} s" in text
        assert f"for {SUSPECT_LONGEST_S:g} s" in text
        assert f"within {SUSPECT_KEEPS_DB:g} dB of its" in text
    back = f"within {BACK_DOWN_DB:g} dB of the level from which it rose"
    assert f"{back}, without news for {BACK_DOWN_S:g} s" in detection
    assert f"Within {BACK_S:g} s after an alarmed ring has stopped" in detection
    assert f"has {100 * BACK_SHARE:g} % of the channel's power for {BACK_FOR_S:g} s" in detection
    assert f"less than {BACK_DB:g} dB under" in detection
    assert 0 < SUSPECT_FROM < 1  # "a suspect begins lower"


def test_limits_of_lone_tones_are_those_of_the_engine():
    """The page's figures are the module's constants."""
    text = page("docs/detection.md")
    assert f"a tone of {LONE_DBFS:g} dBFS or more" in text
    assert f"sample peaks of {FULL_SCALE_DBFS:g} dBFS or more" in text
    assert f"has {100 * LEAST_SHARE:g} % of the channel's power or more" in text
    assert f"and {100 * LEAST_WITH_MULTIPLES:g} % with what lies at its multiples" in text
    assert f"multiples {MULTIPLES[0]} to {MULTIPLES[-1]}," in text
    assert f"by no more than {MOST_CENTS:g} cents and falls by no more than" in text
    assert f"falls by no more than {MOST_FALL_DB:g} dB" in text
    assert f"alarmed when it has stood for {AT_END_STOP_S:g} s" in text
    assert f"a suspect when it has stood for {STANDS_S:g} s" in text
    assert f"and {USUAL_CUT_DB:g} dB are advised" in text


def test_limits_of_lines_that_linger_are_those_of_the_engine():
    """The page's figures are the modules' constants."""
    text = page("docs/detection.md")
    assert f"in each bin, of {FAST_S:g} s and of {SLOW_S:g} s" in text
    assert f"by {LEAST_PROMINENCE_DB:g} dB above its *ground*" in text
    assert f"not more than {-QUIETEST_LINE_DB:g} dB under the channel's power" in text
    assert f"comes within {-QUIETEST_CANDIDATE_DB:g} dB of the channel's power" in text
    assert f"within {BELOW_STRONGEST_DB:g} dB of the channel's strongest line" in text
    assert f"over the last {JUST_S:g} s: standard deviation" in text
    near, middle, far = BESIDE_BINS
    assert f"over the bins {near}, {middle} and {far} away" in text
    assert STANDS_SHARE == 0.5
    assert f"({STANDS_WITHIN_DB:g} dB of deviation or less, half of the time" in text
    assert f"half of the time, {STANDS_OVER_DB:g} dB high)" in text
    assert f"without the line varied over {REST_S:g} s" in text
    assert f"once in {LINGERING_EVERY_S:g} s at the most" in text
    assert (PIECE_S, UNDER_WORTH) == (2.0, 12)
    assert "in each two seconds that it rings" in text
    assert "as much as twelve such pieces" in text


def test_what_is_remembered_of_places_is_what_the_engine_remembers():
    """The page's figures are the module's constants."""
    text = page("docs/detection.md")
    assert (MOST, LIKELIER) == (6, 5)
    assert "remembers the last six places" in text
    assert "the last six rings of its ring-out" in text
    assert f"Within {NEAR_CENTS:g} cents of one, five times as many false alarms" in text


def test_limits_of_lines_that_stand_are_those_of_the_engine():
    """The page's figures are the module's constants."""
    text = page("docs/detection.md")
    assert f"has {100 * STANDING_SHARE:g} % of the channel's power or more, among" in text
    (few, soon_s), (fewer, late_s) = OTHERS
    assert (
        f"a suspect when it has stood for {SUSPECT_S:g} s and an alarm after {soon_s:g} s" in text
    )
    assert f"it is an alarm after {late_s:g} s" in text
    assert f"Where it has more than {100 * few:g} % with its multiples" in text
    assert f"up to {100 * fewer:g} %" in text
    assert f"less than {100 * WHOLE_SHARE:g} % counts by as much less" in text
    assert f"may hide it for {MISSED_S:g} s, for no longer than" in text
    assert f"hold its power, to {GONE_DB:g} dB" in text
    assert (LEAST_SEEN, LEAST_AMONG, MOST_SAGS) == (0.3, 0.75, 0.1)
    assert "for seven tenths of the time in all" in text
    assert "in three quarters of the looks at it" in text
    assert "but for a tenth of the looks" in text
    assert f"each with {100 * (1 - WORD_SHARE):g} % or more, and it stayed" in text
    assert f"{NEW_DB:g} dB louder than its place was" in text


def test_exit_codes_after_a_signal_are_those_of_the_commands():
    """Each is told where its code is; the codes are held by test_scan, test_watch and test_demo."""
    rows = dict(re.findall(r"^\| ([\d, ]+) \| (.+) \|$", page("docs/events.md"), re.MULTILINE))
    assert "`watch` and `demo` also when Ctrl-C or SIGTERM ended them" in rows["0"]
    assert "a `scan`" in rows["130, 143"]
    for name in ("watch", "demo"):
        assert "0 stopped by a person" in " ".join(parser_of(name).format_help().split())


def test_worked_numbers_of_the_physics_page():
    """The page's own figures follow from `detectors.loop`."""
    text = page("docs/physics.md")
    delay_s = loop.loop_delay(1.5, 0.003, 20)
    margin = loop.margin_db(42, 0.008)
    assert f"3 ms: 4.37 + 3 = {1000 * delay_s:.2f} ms" in text
    assert f"| {loop.candidate_spacing_hz(delay_s):.0f} Hz | a wedge 1.5 m away" in text
    assert f"| {loop.growth_db_per_s(1, delay_s):.0f} dB/s | [own] |" in text
    assert f"| 30 °C | {loop.speed_of_sound(30):.1f} m/s |" in text
    for frequency_hz, where in ((2513, "mid-band"), (2818, "at the edge")):
        cut_db = loop.advised_cut_db(margin, frequency_hz)
        row = f"| {frequency_hz} Hz, {where} | 42 dB/s | 8 ms | {margin:.2f} dB | {cut_db} dB |"
        assert row in text

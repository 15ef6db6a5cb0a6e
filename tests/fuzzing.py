"""What every reader is fed with, and what must hold of it: refused in words, or read; never a traceback.

`test_fuzz.py` feeds a few thousand at every run, `python -m tests.fuzz` as many as are asked for. What once found
something is kept in `corpus/`, and fed at every run.
"""

from __future__ import annotations

import contextlib
import copy
import datetime
import gzip
import io
import json
import re
import tempfile
import tomllib
import unicodedata
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st

from leadline.app.draft import MOST_CHARACTERS, Draft, shown, typed
from leadline.app.guard import MOST_BODY_BYTES, Guard
from leadline.app.planner import plan_text
from leadline.dive_file import Dive, DiveFileError, parse_dive, read_dive
from leadline.dive_file.errors import MOST_MESSAGE
from leadline.dive_file.reader import MOST_PROBLEMS
from leadline.dive_file.schema import json_schema
from leadline.logbook.dived import Dived, problems
from leadline.logbook.exchange.csv_read_write import csv_of
from leadline.logbook.exchange.files import read_bytes
from leadline.logbook.exchange.uddf_write import uddf
from leadline.mixing import mix
from leadline.mixing.data import mix_as_data
from leadline.plan.schedule import dive_schedule, lay_out
from leadline.plan.team import plan_team
from leadline.show.plan_data import team_as_data
from tests.logbook.dives import marigold

EXAMPLES = sorted((Path(__file__).parents[1] / "examples").glob("*.toml"))
CORPUS = Path(__file__).parent / "corpus"
JARGON = ("input should", "validation error", "pydantic", "tuple", "nonetype", "traceback", "object at 0x", "function-")
"""Words of ours and of Python's that are no diver's."""
ONE_IN = 4
"""So many dives that can be read is planned whole."""
MOST_POINTS, MOST_DIVERS, MOST_CYLINDERS = 150, 2, 8
"""A dive of the fuzzer that is larger is read and scheduled, and not planned whole: that takes long, and finds little
more."""


@dataclass(frozen=True)
class Reader:
    """One way into Leadline: inputs for it, and what must hold of one."""

    inputs: st.SearchStrategy[bytes]
    holds: Callable[[bytes], bool]
    """Raises if something is wrong; returns whether the input was taken and not refused."""
    share: int
    """Of all inputs, percent."""


# --- Pieces -----------------------------------------------------------------------------------------------------------

WORDS = (
    "nan", "inf", "-inf", "+nan", "1e308", "-1e308", "1e-320", "1e400", "-0.0", "0", "-1", "1", "0.5", "350", "351",
    "1440",
    "20160", "9223372036854775807", "9223372036854775808", "-9223372036854775809", "0x7fffffffffffffffffffffff",
    "0xffff", "0o17", "0b1", "1_000", "1979-05-27", "1979-05-27T07:32:00Z", "07:32:00", "0001-01-01", "9999-12-31",
    "true", "false", '""', '" "', "'x'", '"air"', '"oxygen"', '"helium"', '"4/90"', '"100/0"', '"99.99/0.01"', '"1/99"',
    '"0.01"', '"32 %"', '"18/45"', '"18 / 45"', '"50"', "100", '"45 m"', '"150 ft"', '"45 psi"', '"1e5 m"', '"9 m/min"',
    '"12 L"', '"80 cuft"', '"3000 psi"', '"1,5 m"', '"-5 °C"', '"2 h"', '"１２"', '"٣ m"', '"½"', '"²"', '"∞ m"',
    '"NaN m"',
    r'"\u0000"', r'"\u202e"', r'"\U0001F41F"', r'"e\u0301"', r'"\ud800"', '"#set text(red)"', '"[x](y)"', '"<b>&amp;"',
    '"{{7*7}}"', '"$(id)"', r'"\u001b[31m"', '"../../x"', '"a/b"', '"CON"', '"]]>"', r'"a\nb"', '"' + "x" * 5000 + '"',
    '"' + "9" * 400 + '"', "9" * 400, '"""' + "\n" * 50 + '"""', "[]", "{}", "[[]]", "[{}]", "{ a = 1 }", "[1, 2]",
    "[40, 80]", "[5, 5]", "[100, 100]", "[nan, nan]", "[" * 60 + "]" * 60, "[" * 3000, '["air", 1, {}]', '"metric"',
    '"imperial"', '"fresh"', '"sea"', "900", "1300", '"thirds"', '"bottom"', '"deco"', '"bailout"', '"ZH-L16A"',
)  # fmt: skip
"""Values as they are written in TOML, right and wrong."""
FRAGMENTS = (
    "\n", "=", '"', "'", '"""', "[", "]", "[[", "]]", "{", "}", ",", ".", "#", "\\", "\0", "\ufeff", "\r", "\x1b",
    "\u2028",
    "é", "深", "\U0001f41f", "units = 'metric'\n", "[[levels]]\n", "[[team]]\nname = 'Ann'\n", "[loop]\n", "[fills]\n",
    "[site.water.a]\n", "a.b.c = 1\n", '"" = 1\n', "[[previous]]\nlog = 1\nsurface_interval = 60\n",
)  # fmt: skip


@cache
def keys() -> tuple[str, ...]:
    """Every key of every table of a dive file, and some that are none."""
    schema = json_schema()
    found = {name for table in [schema, *schema["$defs"].values()] for name in table["properties"]}
    return (*sorted(found), "zzz", "", "a[b]", "__class__", "model_config", "_dive", "\u202e")


@cache
def texts() -> tuple[str, ...]:
    """The example dive files, alone: without dives before them."""
    found = [path.read_text(encoding="utf-8") for path in EXAMPLES]
    return tuple(text for text in found if "[[previous]]" not in text)


ODD: tuple[Any, ...] = (
    None, True, False, 0, 1, -1, 0.0, -0.0, 1e308, 5e-324, float("nan"), float("inf"), float("-inf"), 2**63, 10**400,
    -(10**400),
    "", " ", "x" * 20_000, "9" * 6000, "\0", "\u202e", "\ud800", "\U0001f41f", [], {}, [[]], [{}], {"a": 1}, [40,
    80], [[[[[[]]]]]],
    datetime.date(1979, 5, 27), datetime.datetime(1979, 5, 27, 7, 32), datetime.time(7, 32), b"bytes", 1j, (1, 2),
)  # fmt: skip
SCALARS: st.SearchStrategy[Any] = (
    st.sampled_from(ODD)
    | st.sampled_from(WORDS).map(lambda word: word.strip('"'))
    | st.integers(-1000, 1000)
    | st.floats(-500.0, 500.0)
    | st.text(max_size=8)
)
TOML_VALUES: st.SearchStrategy[Any] = (
    SCALARS
    | st.lists(SCALARS, max_size=4)
    | st.dictionaries(st.sampled_from(keys()) | st.text(max_size=3), SCALARS, max_size=4)
)
"""What TOML can say, and more."""


@st.composite
def mutated_texts(draw: st.DrawFn) -> bytes:
    """An example with some lines, values, characters or bytes of it changed."""
    text = draw(st.sampled_from(texts()))
    for _ in range(draw(st.integers(1, 4))):
        lines = text.split("\n")
        i = draw(st.integers(0, len(lines) - 1))
        line, change = lines[i], draw(st.integers(-8, 9))
        if change <= 0:  # a number: most often still a dive
            factor = draw(st.sampled_from([0.0, 0.1, 0.5, 0.8, 0.95, 1.05, 1.3, 2.0, 10.0, -1.0]))
            lines[i] = _scaled(line, factor)
        elif change <= 2 and "=" in line:  # a value
            lines[i] = f"{line.split('=')[0]}= {draw(st.sampled_from(WORDS))}"
        elif change <= 4:  # a key more
            lines.insert(i, f"{draw(st.sampled_from(keys()))} = {draw(st.sampled_from(WORDS))}")
        elif change == 5:
            del lines[i : i + draw(st.integers(1, 4))]
        elif change == 6:  # a block again, and again
            lines[i:i] = lines[i : i + draw(st.integers(1, 7))] * draw(st.sampled_from([1, 2, 3, 60]))
        elif change == 7 and "=" in line:  # a key in place of another
            lines[i] = f"{draw(st.sampled_from(keys()))} ={line.split('=', 1)[1]}"
        else:
            at = draw(st.integers(0, len(line)))
            cut = draw(st.integers(0, 3))
            put = draw(st.sampled_from(FRAGMENTS) | st.text(max_size=4))
            lines[i] = line[:at] + put + line[at + cut :]
        text = "\n".join(lines)
    content = text.encode("utf-8", "surrogatepass")
    if draw(st.integers(0, 9)) == 0:
        at = draw(st.integers(0, len(content)))
        content = content[:at] + draw(st.binary(max_size=6)) + content[at:]
    return content


@st.composite
def random_texts(draw: st.DrawFn) -> bytes:
    """Bytes, words and fragments that nobody wrote."""
    if draw(st.booleans()):
        return draw(st.binary(max_size=300))
    parts = draw(st.lists(st.sampled_from(FRAGMENTS + WORDS + keys()) | st.text(max_size=10), max_size=30))
    return draw(st.sampled_from(["", " ", " = ", "\n"])).join(parts).encode("utf-8", "surrogatepass")


@st.composite
def mutated_tables(draw: st.DrawFn) -> dict[str, Any]:
    """The tables of an example with some values in them put in place of others, taken out or put in."""
    tables = copy.deepcopy(_tables(draw(st.sampled_from(texts()))))
    for _ in range(draw(st.integers(1, 4))):
        at: Any = tables
        while True:
            if isinstance(at, dict):
                part = draw(st.sampled_from([*at, *([] if len(at) > 2 else ["zzz"])]))
            elif isinstance(at, list) and at:
                part = draw(st.integers(0, len(at) - 1))
            else:
                break
            inner = at.get(part) if isinstance(at, dict) else at[part]
            if isinstance(inner, dict | list) and inner and draw(st.integers(0, 7)) > 0:
                at = inner
                continue
            change = draw(st.integers(-8, 7))
            if change < 0 and isinstance(inner, int | float) and not isinstance(inner, bool) and abs(inner) < 1e9:
                scaled = inner * draw(st.sampled_from([0, 0.1, 0.5, 0.8, 0.95, 1.05, 1.3, 2, 10, -1]))
                at[part] = round(scaled) if isinstance(inner, int) else scaled
            elif change == 0 and part in (at if isinstance(at, dict) else range(len(at))):
                del at[part]
            elif change == 1 and isinstance(at, dict):
                at[draw(st.sampled_from(keys()))] = copy.deepcopy(draw(TOML_VALUES))
            elif change == 2 and isinstance(at, list):
                at *= draw(st.sampled_from([2, 3, 60]))
            else:
                at[part] = copy.deepcopy(draw(TOML_VALUES))
            break
    return tables


@cache
def _tables(text: str) -> dict[str, Any]:
    return tomllib.loads(text)


# --- Dive files -------------------------------------------------------------------------------------------------------


def refused_in_words(error: DiveFileError, most: int = MOST_MESSAGE) -> None:
    """A few short lines that print, in a diver's words."""
    assert error.problems
    assert len(error.problems) <= MOST_PROBLEMS + 1
    for problem in error.problems:
        assert problem.message
        assert len(problem.message) <= most
        assert len(problem.key) <= MOST_MESSAGE
        assert (problem.key + problem.message).isprintable(), problem
        assert not [word for word in JARGON if word in problem.message.lower()], problem


def planned_in_numbers(dive: Dive, whole: bool) -> None:
    """A dive that was read is refused in words, or its plan, unless `whole` its schedule alone, is finite numbers."""
    try:
        if dive.team and len(dive.team) > MOST_DIVERS:
            return
        if len(dive.cylinders) > MOST_CYLINDERS or dive.levels[-1].leave_at > MOST_POINTS:
            return
        if not dive.team and len(dive_schedule(dive, lay_out(dive)).track) > MOST_POINTS:
            return
        if not whole:
            return
        team = plan_team(dive)
    except DiveFileError as error:
        refused_in_words(error)
        return
    json.dumps(team_as_data(team), allow_nan=False)
    if dive.fills.sources or dive.fills.cylinders or dive.fills.analysed:
        try:
            json.dumps(mix_as_data(mix(dive)), allow_nan=False)
        except DiveFileError as error:
            refused_in_words(error)


@cache
def _folder() -> tempfile.TemporaryDirectory[str]:
    return tempfile.TemporaryDirectory(prefix="leadline-fuzz-")


def dive_file(content: bytes) -> bool:
    """A dive file, read from a disk as the command reads it."""
    path = Path(_folder().name) / "dive.toml"
    path.write_bytes(content)
    try:
        dive = read_dive(path)
    except DiveFileError as error:
        refused_in_words(error)
        assert all(line.startswith("dive.toml: ") for line in error.lines())  # noqa: PT017
        return False
    planned_in_numbers(dive, zlib.crc32(content) % ONE_IN == 0)
    return True


def tables_of(content: bytes) -> bool:
    """The tables of a dive file, as a program hands them over (here as a Python literal)."""
    given = eval(content.decode("utf-8", "surrogatepass"), _LITERALS)
    before = repr(given)
    try:
        dive = parse_dive(given)
    except DiveFileError as error:
        refused_in_words(error)
        return False
    finally:
        assert repr(given) == before  # what is handed over is left as it is
    planned_in_numbers(dive, zlib.crc32(content) % ONE_IN == 0)
    return True


_LITERALS = {"__builtins__": {}, "nan": float("nan"), "inf": float("inf"), "datetime": datetime}


def draft(content: bytes) -> bool:
    """A dive file in the page: planned, edited key by key, and shown in the fields."""
    text = content.decode("utf-8", "replace")
    found = plan_text(text) if len(text) > MOST_CHARACTERS else None
    if found is not None:
        assert found.team is None
        assert found.problems
    now = Draft(text)
    taken = now.readable
    for key in (("title",), ("levels", 0, "depth"), ("site", "water"), ("team", 0, "cylinders", 0, "gas")):
        shown(now.value(key))
        typed(shown(now.value(key)))
        for value in (None, 12.5, "深 é", [40, 80]):
            _edited(lambda key=key, value=value: now.with_value(key, value))
    _edited(lambda: now.with_row(("cylinders",), {"name": "x", "gas": "air"}, 0))
    _edited(lambda: now.with_row(("levels",), {"depth": 5}))
    _edited(lambda: now.without_row(("levels",), 0))
    return taken


def _edited(change: Callable[[], Draft]) -> None:
    try:
        made = change()
    except ValueError as error:
        assert str(error)  # noqa: PT017
        return
    assert made.readable or not made.text.strip() or tomllib.loads(made.text) == {}


# --- Files of dives ---------------------------------------------------------------------------------------------------

TAGS = (
    "uddf", "generator", "diver", "owner", "site", "mix", "o2", "he", "tank", "dive", "samples", "waypoint", "depth",
    "divetime",
    "tankpressure", "switchmix", "setpo2", "divemode", "datetime", "informationbeforedive", "link", "notes", "para",
    "zzz",
)  # fmt: skip
XML_BITS = (
    "<", ">", "&", "&amp;", "&lol;", "&#0;", "&#x110000;", "<!DOCTYPE x [<!ENTITY a 'aaaa'>]>", "<!--", "-->",
    "<![CDATA[", "]]>",
    "\x9b31m", "\x7f", "\u202e", "\u2028", "<?xml version='1.1'?>", "<?x ?>", " xmlns:a='b'", "a:", "\0", "é", "深",
    "\ufeff", '"', "'", " id='dil'", " ref='none'",
)  # fmt: skip
NUMBERS = (
    "nan", "inf", "-inf", "1e308", "1e-308", "1e999", "-0", "-1", "0", "1", "1.5", "1,5", "1_0", "٣", "0x10", "",
    " ", "9" * 400, "60",
    "100000", "20000000", "288.15", "4000", "101325", "2026-05-31T10:20:00Z", "0001-01-01T00:00",
    "9999-12-31T23:59:59", "-1:00", "0:60:61",
)  # fmt: skip
CSV_BITS = (
    ",", ";", "\t", '"', '""', "\r", "\n", "#", "# began: never", "# cylinder: a, 18/45, 12 L", "# water: 1e9 kg/m³",
    "time [s]", "[ft]", "[]",
    "=1+1", "é", "\0", "\u202e", "\x9b31m", "\x1b[31m", "\u2028", "gas", "setpoint [bar]", "pressure back [psi]",
)  # fmt: skip


@cache
def files_of_dives() -> tuple[bytes, ...]:
    """Files made by hand, and some of Leadline's own."""
    made = sorted((Path(__file__).parent / "logbook" / "files").iterdir())
    return (*(path.read_bytes() for path in made), uddf([marigold()]), csv_of(marigold()))


@st.composite
def mutated_files_of_dives(draw: st.DrawFn) -> bytes:
    """UDDF and CSV with some tags, numbers, lines and bytes changed, packed or not."""
    text = draw(st.sampled_from(files_of_dives())).decode("utf-8", "replace")
    xml = text.lstrip().startswith("<")
    for _ in range(draw(st.integers(1, 4))):
        spots = list(re.finditer(r"</?[a-z0-9]+|(?<=[>,\n])[^<>,\n]+" if xml else r"[^,\n]+", text))
        if not spots:
            break
        spot = draw(st.sampled_from(spots))
        change = draw(st.integers(0, 7))
        if change <= 1:  # a word in place of another
            new = draw(st.sampled_from(NUMBERS))
        elif change == 2 and xml:
            new = draw(st.sampled_from(["<", "</"])) + draw(st.sampled_from(TAGS))
        elif change == 3:
            new = draw(st.sampled_from(XML_BITS if xml else CSV_BITS)) + spot[0]
        elif change == 4:  # a piece from here on again, or left out
            end = min(len(text), spot.start() + draw(st.integers(1, 400)))
            new = text[spot.start() : end] * draw(st.sampled_from([0, 0, 2, 30])) + text[spot.end() : end][:0]
            text = text[: spot.start()] + new + text[end:]
            continue
        elif change == 5:  # a number of about the same size
            factor = draw(st.sampled_from([0.0, 0.5, 0.99, 1.01, 2.0, 60.0, 1e5, -1.0]))
            new = _scaled(spot[0], factor)
        else:
            new = spot[0] + draw(st.text(max_size=3))
        text = text[: spot.start()] + new + text[spot.end() :]
    coding = draw(st.sampled_from(["utf-8"] * 8 + ["utf-16", "latin-1"]))
    content = text.encode(coding, "replace" if coding == "latin-1" else "surrogatepass")
    packed = draw(st.integers(0, 19))
    if packed == 0:
        content = gzip.compress(content, 1)
    if packed == 1:
        into = io.BytesIO()
        with zipfile.ZipFile(into, "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(draw(st.sampled_from(["log.uddf", "../../x", "a/b.csv", "\u202e"])), content)
        content = into.getvalue()
    if draw(st.integers(0, 9)) == 0:
        at = draw(st.integers(0, len(content)))
        content = content[:at] + draw(st.binary(max_size=4)) + content[at + draw(st.integers(0, 4)) :]
    return content


def harmless(text: str) -> bool:
    """Whether text can go to a terminal: nothing that moves the cursor, ends the line, or turns its direction."""
    return not any(
        unicodedata.category(sign) in ("Cc", "Cs", "Zl",
    "Zp") or sign in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
        for sign in text
    )  # fmt: skip


def _scaled(text: str, factor: float) -> str:
    return re.sub(r"\d+(\.\d+)?", lambda found: f"{float(found[0]) * factor:.5g}", text, count=1)


def file_of_dives(content: bytes) -> bool:
    """A file that is brought into the log: every dive of it can be true, or is refused in words,
    and a dive that came in
    can be written and read again."""
    try:
        reading = read_bytes("log", content)
        some = list(reading.dives)
    except DiveFileError as error:
        refused_in_words(error)
        return False
    assert len(some) == reading.total
    whole = [dived for _, dived in some if isinstance(dived, Dived)]
    for _, dived in some:
        if isinstance(dived, str):
            assert 0 < len(dived) <= MOST_MESSAGE
        else:
            assert problems(dived) == []
    for dived in whole[:3]:
        for again in (uddf([dived]), csv_of(dived)):
            ((_, back),) = read_bytes("again", again).dives
            assert isinstance(back, Dived), back
            assert back.deepest_m == pytest.approx(dived.deepest_m, abs=1e-3)
            assert back.run_time_min == pytest.approx(dived.run_time_min, abs=1e-4)
    return bool(whole)


# --- HTTP -------------------------------------------------------------------------------------------------------------

HOSTS = (
    "127.0.0.1:8360", "localhost", "LOCALHOST:1", "[::1]:8360", "[::1", "[", "]", "[]", "", ":", "@", "a@localhost",
    "localhost@evil",
    "evil.example", "127.0.0.1.evil", "127.1", "0x7f000001", "2130706433", "localhost.", "localhost:x",
    "localhost:99999", "[v1.x]",
    "[::1%25eth0]", "localhost\t", "\xb2", "xn--", "192.168.1.5", "\xe9",
)  # fmt: skip
ORIGINS = (
    "http://localhost", "http://127.0.0.1:8360", "null", "http://[", "http://[::1", "http://]", "//", "http://a]b",
    "http://\xb2",
    "javascript:", "http://[v1.x]", "http://localhost:8360/path", "",
    "http://\u2100.example".encode().decode("latin-1"),
)  # fmt: skip
LENGTHS = ("0", "10", "\xb2", "\xb9\xb3", "-1", "+1", "1e3", " 1", "9" * 5000, "2000001", "", "0x10", "\xbc", "1_0")
COOKIES = (
    "leadline-token=secret", 'leadline-token="\\303"', "leadline-token=\xff", "a=b; leadline-token", "=;;=", '"',
    "$Path=/", "leadline-token=" + "x" * 9000,
)  # fmt: skip
QUERIES = (
    "", "token=secret", "token=%ff", "token=%ed%a0%80", "token=\xff", "&" * 3000, "token", "token=a&token=secret", "%"
)  # fmt: skip
NAMES = ("host", "origin", "content-length", "cookie", "x-forwarded-for", "upgrade", "transfer-encoding", "\xff")


@st.composite
def requests(draw: st.DrawFn) -> bytes:
    """A request as the server hands it to the guard, as JSON of latin-1 text."""
    pools = {"host": HOSTS, "origin": ORIGINS, "content-length": LENGTHS, "cookie": COOKIES}
    latin = st.text(st.characters(max_codepoint=255), max_size=20)
    headers = [["host", "127.0.0.1:8360"]] if draw(st.integers(0, 3)) else []
    for name in draw(st.lists(st.sampled_from(NAMES[1:] if headers else NAMES), max_size=4)):
        headers.append([name, draw((st.sampled_from(pools[name]) if name in pools else st.nothing()) | latin)])
    return json.dumps(
        {
            "type": draw(st.sampled_from(["http", "websocket", "http"])),
            "headers": headers,
            "query": draw(st.sampled_from(QUERIES) | latin),
            "token": draw(st.sampled_from(["", "secret"])),
            "host": draw(st.sampled_from(["127.0.0.1", "0.0.0.0", "boat.example", "::1"])),
            "body": draw(st.sampled_from([[], [10], [MOST_BODY_BYTES, 1], [600_000] * 5])),
        }
    ).encode()


def guarded(content: bytes) -> bool:
    """What the guard makes of a request. What it lets through names this machine and no other site, and has the
    token."""
    given = json.loads(content)
    sent: list[dict[str, Any]] = []
    got = 0
    reached = False
    parts = [b"x" * size for size in given["body"]]

    async def page(scope: Any, receive: Any, send: Any) -> None:
        nonlocal reached, got
        reached = True
        while parts and (message := await receive())["type"] == "http.request":
            got += len(message["body"])
        await send({"type": "http.response.start", "status": 200, "headers": []})

    async def receive() -> dict[str, Any]:
        return {"type": "http.request", "body": parts.pop(0), "more_body": bool(parts)}

    async def send(message: dict[str, Any]) -> None:
        sent.append(message)

    raw = [(name.encode("latin-1"), value.encode("latin-1")) for name, value in given["headers"]]
    scope = {"type": given["type"], "query_string": given["query"].encode("latin-1"), "headers": raw}
    with contextlib.suppress(StopIteration):  # nothing here waits: it is done at once
        Guard(page, given["host"], given["token"])(scope, receive, send).__await__().send(None)
    assert sent
    assert got <= MOST_BODY_BYTES
    if not reached:
        assert sent[0].get("status") in (400, 403, 413, 421) or sent[0].get("code") == 1008
        return False
    hosts, origins, cookies = (
        [value.lower() for name, value in given["headers"] if name == wanted] for wanted in ("host", "origin", "cookie")
    )
    assert len(hosts) == 1
    assert not any(evil in hosts[0] for evil in ("evil", "xn--"))
    assert all(hosts[0] in origin for origin in origins)
    if given["token"]:
        assert "secret" in given["query"] or any("secret" in cookie for cookie in cookies)
    return True


READERS = {
    "dive file": Reader(mutated_texts() | random_texts(), dive_file, 40),
    "tables": Reader(mutated_tables().map(lambda tables: repr(tables).encode("utf-8", "surrogatepass")), tables_of, 20),
    "draft": Reader(mutated_texts() | random_texts(), draft, 3),
    "file of dives": Reader(mutated_files_of_dives() | random_texts(), file_of_dives, 20),
    "request": Reader(requests(), guarded, 17),
}

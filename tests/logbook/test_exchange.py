"""Files of dives in and out: which format, how packed, whole or not at all, and back again."""

from __future__ import annotations

import gzip
import io
import itertools
import random
import tracemalloc
import zipfile
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leadline.dive_file.errors import DiveFileError
from leadline.logbook.dived import CylinderCarried, Dived, GasBreathed, KeptPlan, Profile, problems
from leadline.logbook.exchange.csv_read_write import csv_of
from leadline.logbook.exchange.files import Reading, read_bytes, read_file, write_file
from leadline.logbook.exchange.uddf_write import uddf
from leadline.physics.mix import Mix
from tests.logbook.alike import assert_alike
from tests.logbook.dives import AIR, dives, marigold

FILES = Path(__file__).parent / "files"
BARE = (FILES / "bare.uddf").read_bytes()


def all_of(reading: Reading) -> list[Dived]:
    found = []
    for _, dived in reading.dives:
        assert isinstance(dived, Dived), dived
        found.append(dived)
    assert len(found) == reading.total
    return found


def refused(name: str, content: bytes) -> str:
    with pytest.raises(DiveFileError) as caught:
        list(read_bytes(name, content).dives)
    return str(caught.value)


@given(st.lists(dives(), min_size=1, max_size=4))
def test_uddf_gives_back_what_was_written(some: Sequence[Dived]) -> None:
    back = all_of(read_bytes("log.uddf", uddf(some)))
    assert_alike(tuple(some), tuple(back))
    assert all(problems(dived) == [] for dived in back)
    assert uddf(back) == uddf(some)


@given(dives())
def test_csv_gives_back_all_but_the_plan(dived: Dived) -> None:
    (back,) = all_of(read_bytes("dive.csv", csv_of(dived)))
    assert_alike(replace(dived, plan=None), back)
    assert csv_of(back) == csv_of(dived)


def test_what_is_lost_is_what_says_nothing() -> None:
    # The third change is to what is breathed.
    dived = replace(
        marigold(),
        breathed=(
            GasBreathed(0.0, 0),
            GasBreathed(24.0, 1),
            GasBreathed(30.0, 1),
        ),
        notes="two blanks  \r\nhere\x01",
        title=" a\ttitle ",
    )
    assert problems(dived) == []
    expected = replace(
        dived, breathed=(GasBreathed(0.0, 0), GasBreathed(24.0, 1)), notes="two blanks\nhere", title="a title"
    )
    assert_alike((expected,), tuple(all_of(read_bytes("a", uddf([dived])))))
    assert_alike((replace(expected, plan=None),), tuple(all_of(read_bytes("a", csv_of(dived)))))


def test_finer_than_files_keep_is_rounded() -> None:
    profile = Profile((0.0, 1.0000051, 30.0), (0.0, 20.00049, 0.0), pressure_bar=((200.000004, None, 50.0),))
    mix = Mix(0.320044)
    dived = Dived(datetime(2026, 5, 31, 10, 20), profile, (CylinderCarried("back", mix, 12.0),), (GasBreathed(0.0, 0),))
    (by_uddf,), (by_csv,) = all_of(read_bytes("a", uddf([dived]))), all_of(read_bytes("a", csv_of(dived)))
    for back in by_uddf, by_csv:
        # 1.0000051 min is 60.000306 s: to the millisecond 60 s.
        assert back.profile == Profile((0.0, 1.0, 30.0), (0.0, 20.0, 0.0), pressure_bar=((200.0, None, 50.0),))
    assert by_uddf.cylinders[0].mix == mix
    assert by_csv.cylinders[0].mix.o2 == pytest.approx(0.32, abs=1e-12)


def test_two_cylinders_of_one_gas_stay_apart() -> None:
    twice = (CylinderCarried("side", AIR, 12.0, 200.0, 90.0), CylinderCarried("side", AIR, 12.0, 200.0, 100.0))
    pressures = ((200.0, None, None, 150.0, None, None, 90.0), (200.0, None, 150.0, None, None, None, 100.0))
    dived = replace(
        marigold(),
        cylinders=twice,
        breathed=(GasBreathed(0.0, 1), GasBreathed(12.0, 0), GasBreathed(20.0, 1)),
        profile=replace(marigold().profile, pressure_bar=pressures),
    )
    assert_alike((dived,), tuple(all_of(read_bytes("a", uddf([dived])))))
    assert_alike((replace(dived, plan=None),), tuple(all_of(read_bytes("a", csv_of(dived)))))


def test_a_cylinder_without_a_name_has_that_of_its_gas() -> None:
    dived = replace(marigold(), cylinders=(CylinderCarried("", marigold().cylinders[0].mix), marigold().cylinders[1]))
    for content in (uddf([dived]), csv_of(dived)):
        assert [one.name for one in all_of(read_bytes("a", content))[0].cylinders] == ["18/45", "deco"]


def test_a_dive_that_ends_deep_is_written_and_not_read_back() -> None:
    profile = replace(marigold().profile, depth_m=(0.0, 51.0, 51.0, 21.0, 21.0, 21.0, 21.0))
    for content in (uddf([replace(marigold(), profile=profile)]), csv_of(replace(marigold(), profile=profile))):
        assert list(read_bytes("a", content).dives) == [(1, "is at 21 m at its last sample: the way up is missing")]


def test_divers_of_one_file_stay_apart() -> None:
    some = [replace(marigold(), diver=name) for name in ("Ann", "Ben", "", "Ann")]
    assert [dived.diver for dived in all_of(read_bytes("a", uddf(some)))] == ["Ann", "Ben", "", "Ann"]


@pytest.mark.parametrize("suffix", [".uddf", ".UDDF", ".csv"])
def test_a_file_is_written_and_read(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"log{suffix}"
    write_file([marigold()], path)
    plan = marigold().plan if suffix != ".csv" else None
    assert_alike((replace(marigold(), plan=plan),), tuple(all_of(read_file(path))))
    assert [one.name for one in tmp_path.iterdir()] == [path.name]


@pytest.mark.parametrize(
    ("name", "some", "said"),
    [
        ("log.xml", [marigold()], "log.xml: is neither .uddf nor .csv, as which dives are written"),
        ("log", [marigold()], "log: is neither .uddf nor .csv"),
        ("log.uddf", [], "there is no dive to write"),
        ("log.csv", [marigold(), marigold()], "CSV holds one dive, and there are 2; write .uddf"),
        ("log.uddf", [marigold(), replace(marigold(), breathed=())], "dive 2: is not written: it does not say"),
        ("missing/log.uddf", [marigold()], "cannot be written: no such file or directory"),
    ],
)
def test_what_is_not_written_leaves_nothing(tmp_path: Path, name: str, some: list[Dived], said: str) -> None:
    with pytest.raises(DiveFileError) as caught:
        write_file(some, tmp_path / name)
    assert said in str(caught.value)
    assert list(tmp_path.iterdir()) == []


def test_what_was_there_stays_when_writing_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "log.uddf"
    path.write_bytes(BARE)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(DiveFileError, match="cannot be written: no space left"):
        write_file([marigold()], path)
    assert [one.read_bytes() for one in tmp_path.iterdir()] == [BARE]


def zipped(method: int = zipfile.ZIP_DEFLATED, **files: bytes) -> bytes:
    content = io.BytesIO()
    with zipfile.ZipFile(content, "w", method) as archive:
        for name, inside in files.items():
            archive.writestr(name, inside)
    return content.getvalue()


def test_packed_or_not_under_any_name(tmp_path: Path) -> None:
    (plain,) = all_of(read_bytes("log.uddf", BARE))
    csv = (FILES / "gull-stack.csv").read_bytes()
    (air,) = all_of(read_bytes("dive.csv", csv))
    for content in (gzip.compress(BARE), zipped(log=BARE), zipped(log=BARE, **{"__MACOSX/._log": b"x"})):
        assert all_of(read_bytes("log.csv", content)) == [plain]
    for content in (gzip.compress(csv), zipped(dive=csv), b"\xef\xbb\xbf" + csv, csv.replace(b"\n", b"\r\n")):
        assert all_of(read_bytes("log.uddf", content)) == [air]
    assert all_of(read_bytes("log", BARE.decode().encode("utf-16"))) == [plain]
    path = tmp_path / "log"
    path.write_bytes(gzip.compress(BARE))
    reading = read_file(path)
    assert all_of(reading) == all_of(reading) == [plain]  # from the first again


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "log: is empty"),
        (b" \n", "log: is empty"),
        (gzip.compress(b""), "log: is empty"),
        (gzip.compress(BARE)[:-9], "is packed, and cannot be unpacked"),
        (gzip.compress(BARE)[:60] + b"\0" * 200, "is packed, and cannot be unpacked"),
        (b"\x1f\x8b", "is packed, and cannot be unpacked"),
        (b"PK\x03\x04" + b"\0" * 40, "is packed, and cannot be unpacked"),
        (zipped(), "has no columns"),
        (zipped(a=BARE, b=BARE), "holds 2 files: 'a', 'b'; pack one file"),
        (b"<html><body/></html>", "is XML, and not of UDDF: its root is 'html'"),
        (b'<uddf version="2.2.0"/>', "is UDDF '2.2.0'; version 3 is read"),
        (b'<uddf xmlns="http://www.streit.cc/uddf/4.0/"/>', "is UDDF '4'; version 3 is read"),
        (b'<uddf version="3.2.0"/>', "has no dive in it"),
        (BARE[:-20], "is not whole XML"),
        (BARE.replace(b"</samples>", b"</sample>"), "line 9, sign 3: is not whole XML: mismatched tag"),
        (
            b"<?xml version='1.0' encoding='no-such'?><uddf/>",
            "is not XML that can be read: 'unknown encoding: no-such'",
        ),
        (b"<uddf>&undefined;</uddf>", "undefined entity"),
        (b"\xff\xfe\x00", "is neither UDDF nor text in UTF-8"),
        (b"\x89PNG\r\n", "is neither UDDF nor text in UTF-8"),
    ],
)
def test_what_is_no_file_of_dives_is_refused_in_words(content: bytes, said: str) -> None:
    assert said in refused("log", content)


def test_a_zip_with_a_password_is_refused() -> None:
    content = bytearray(zipped(log=BARE))
    content[6] |= 1  # the flag of encryption, of the file and of the archive's list
    content[content.index(b"PK\x01\x02") + 8] |= 1
    assert "with a password; unpack it first" in refused("log.zip", bytes(content))


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_zip_that_unpacks_without_a_bound_is_refused(method: int) -> None:
    assert "is packed in a way that is not read" in refused("log.zip", zipped(method, log=BARE))


def test_a_zip_of_a_nameless_file_is_refused() -> None:
    assert "holds 0 files; pack one file" in refused("log.zip", zipped(log=BARE).replace(b"log", b"\0og"))


def test_a_path_that_is_no_file_is_refused(tmp_path: Path) -> None:
    for path, said in ((tmp_path / "none.uddf", "no such file"), (tmp_path, "is a directory")):
        with pytest.raises(DiveFileError, match=f"cannot be read: {said}"):
            read_file(path)


def test_a_bomb_is_refused_while_it_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    from leadline.logbook.exchange import opened

    monkeypatch.setattr(opened, "MOST_BYTES", 4 * 2**20)
    head = BARE.partition(b"<profiledata>")[0]
    for inside in (head + (b"<maker>" + b" " * 1000 + b"</maker>") * 64_000, b"# notes: " + b"a" * 64 * 2**20):
        for content in (gzip.compress(inside, 1), zipped(log=inside)):
            assert len(content) < 4 * 2**20
            tracemalloc.start()
            assert "is over 4 MiB, too large for a dive log" in refused("log", content)
            _, peak = tracemalloc.get_traced_memory()
            tracemalloc.stop()
            assert peak < 16 * 2**20


def thousand(count: int = 1000, samples: int = 360) -> bytes:
    """Dives of an hour, a sample every ten seconds, each twelve hours after the one before."""
    times = tuple(i / 6 for i in range(samples))
    depths = tuple(min(30.0, 20.0 * i / 6, 9.0 * (samples - 1 - i) / 6) for i in range(samples))
    profile = Profile(times, depths, temperature_c=tuple(10.0 + depth / 10 for depth in depths))
    one = Dived(
        datetime(2026, 1, 1), profile, (CylinderCarried("back", AIR, 12.0, 200.0, 50.0),), (GasBreathed(0.0, 0),)
    )
    return uddf([replace(one, began=one.began + timedelta(hours=12 * i)) for i in range(count)])


def test_many_dives_are_read_one_by_one() -> None:
    content = thousand(40)
    reading = read_bytes("log.uddf", content)
    assert reading.total == 40
    tracemalloc.start()
    for number, dived in itertools.islice(reading.dives, 30):
        assert isinstance(dived, Dived)
        assert dived.began == datetime(2026, 1, 1) + timedelta(hours=12 * (number - 1))
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    # Forty dives are 14 400 samples, each of some hundreds of bytes once it is elements.
    assert peak < 2_500_000


def _mutated(content: bytes, change: random.Random) -> bytes:
    """A file as a bad disk, a bad writer or a bad mind would leave it."""
    found = bytearray(content)
    for _ in range(change.randint(1, 4)):
        at, length = change.randrange(len(found)), change.choice([1, 1, 1, 3, 20, 200])
        piece = bytes(found[at : at + length])
        kind = change.randrange(5)
        if kind == 0:
            found[at : at + length] = change.randbytes(len(piece))
        elif kind == 1:
            del found[at : at + length]
        elif kind == 2:
            found[at:at] = piece * change.choice([1, 2, 50])
        elif kind == 3:
            found[at:at] = change.choice(
                [b"<", b">", b"&", b"-", b"9", b"e9", b".", b",", b'"', b"\0", b"\n", b"nan", b"\xff"]
            )
        else:
            digits = [i for i in range(len(found)) if 48 <= found[i] < 58]
            if digits:
                found[change.choice(digits)] = change.choice(b"0123456789-.e")
        if not found:
            return b""
    return bytes(found)


_SEEDS = [
    *(path.read_bytes() for path in sorted(FILES.iterdir())),
    uddf([marigold(), replace(marigold(), plan=KeptPlan("a.toml", "x"))]),
    csv_of(marigold()),
    gzip.compress(BARE),
    zipped(log=BARE),
]


@settings(max_examples=2000)
@given(st.sampled_from(_SEEDS), st.integers(0, 2**32 - 1))
def test_a_damaged_file_is_refused_or_gives_dives_that_can_be(content: bytes, seed: int) -> None:
    damaged = _mutated(content, random.Random(seed))
    try:
        reading = read_bytes("log", damaged)
        some = list(reading.dives)
    except DiveFileError:
        return
    assert len(some) == reading.total
    for _, dived in some:
        assert dived if isinstance(dived, str) else problems(dived) == []

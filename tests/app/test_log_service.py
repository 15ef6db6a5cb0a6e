"""Work on the log for the page: files of dives come in one by one, and what is stopped is whole."""

import asyncio

import pytest

from leadline.app.log_service import Brought, LogService, debriefed, written
from leadline.dive_file import DiveFileError
from leadline.logbook.database.store import Logbook

HEAD = """<uddf><gasdefinitions><mix id="m"><o2>0.32</o2></mix></gasdefinitions><profiledata><repetitiongroup>"""
FOOT = "</repetitiongroup></profiledata></uddf>"
DIVE = """<dive><informationbeforedive><datetime>20{year:02d}-05-{day:02d}T10:20:00</datetime></informationbeforedive>
<samples><waypoint><depth>0</depth><divetime>0</divetime><switchmix ref="m"/></waypoint>
<waypoint><depth>30</depth><divetime>120</divetime></waypoint>
<waypoint><depth>0</depth><divetime>{end}</divetime></waypoint></samples></dive>"""


def uddf(count, broken=()):
    """So many dives, a day or a year apart; those that are broken end before they began."""
    dives = (DIVE.format(year=i // 28, day=1 + i % 28, end=60 if i + 1 in broken else 1320) for i in range(count))
    return HEAD + "".join(dives) + FOOT


@pytest.fixture
def url(tmp_path):
    return f"sqlite:///{tmp_path / 'log.db'}"


@pytest.fixture(scope="module")
def working():
    made = LogService()
    yield made
    made.close()


@pytest.fixture
def service(working, url):
    """One process for all, and a log for each."""
    working.database = url
    return working


def came(service, text, name="saltby.uddf", diver="Ann"):
    path = service.file(".in")
    path.write_bytes(text.encode())

    async def found():
        return await service.bring_in(path, name, diver).found()

    return asyncio.run(found())


def test_what_came_in(service, url):
    """Three of four, once, for the diver that was named; what is no file of dives is said by its own name."""
    found = came(service, uddf(4, broken=[2]))
    assert (found.new, found.known, found.broken) == ((1, 2, 3), 0, 1)
    assert found.wrong[0].startswith("saltby.uddf, dive 2: goes back in time")
    again = found + came(service, uddf(4)) + came(service, "depth", name="not-one.csv")
    assert (again.new, again.known, again.broken) == ((1, 2, 3, 4), 3, 1)
    assert again.wrong[1].startswith("not-one.csv")
    listed = asyncio.run(service.listed())
    assert [entry.number for entry in listed.entries] == [3, 2, 4, 1]  # the newest first
    assert listed.divers == ("Ann",)


def test_what_is_stopped_is_whole(service, url):
    """The process is ended in the middle: what is there is whole, and the same file brings in the rest."""
    text = uddf(400)

    async def stopped():
        path = service.file(".in")
        path.write_bytes(text.encode())
        coming = service.bring_in(path, "saltby.uddf")
        while coming.done is None or coming.done[0] < 20:
            await asyncio.sleep(0.01)
        coming.stop()
        with pytest.raises(asyncio.CancelledError):
            await coming.found()

    asyncio.run(stopped())
    with Logbook(url) as log:
        there = len(log.entries())
        assert 20 <= there < 400
        assert all(len(log.dive(entry.number).dived.profile.depth_m) == 3 for entry in log.entries())
    rest = came(service, text)
    assert len(rest.new) + rest.known == 400
    assert rest.known >= there  # it came a little further before it ended


def test_all_who_watch_are_told(service):
    told = []
    service.watch(lambda: told.append(1))
    came(service, uddf(1))
    service.changed()
    asyncio.run(service.remove(1))
    assert told == [1, 1]


def test_refusals_are_words(service, url, tmp_path):
    """Of the service, and of what comes back from the processes."""
    with pytest.raises(DiveFileError, match="there is no dive 5"):
        asyncio.run(service.dive(5))
    came(service, uddf(2))
    assert debriefed(url, 1).found is None
    assert "no plan" in debriefed(url, 1).refused[0]
    assert written(url, (1, 2), tmp_path / "two.csv") == written(url, (1, 2), tmp_path / "also.csv")
    assert "CSV holds one dive" in written(url, (1, 2), tmp_path / "two.csv")[0]
    assert written(url, (1, 2), tmp_path / "two.uddf") == ()


def test_what_came_of_several_files():
    both = Brought((1,), 2, 0, ("a",)) + Brought((), 1, 1, ("b",))
    assert both == Brought((1,), 3, 1, ("a", "b"))

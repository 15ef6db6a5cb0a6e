"""Every reader against what nobody would write, and against what once found something. (`python -m tests.fuzz` feeds as
many inputs as are asked for.)"""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings

from leadline.dive_file.errors import MOST_MESSAGE, DiveFileError
from leadline.logbook.dived import Dived
from leadline.logbook.exchange.csv_read_write import csv_of
from leadline.logbook.exchange.files import read_bytes
from tests.fuzzing import CORPUS, READERS, harmless

EACH_TIME = {"dive file": 300, "tables": 400, "draft": 40, "file of dives": 400, "request": 800}


@pytest.mark.parametrize("name", READERS)
def test_what_nobody_would_write_is_refused_in_words(name):
    reader = READERS[name]

    @settings(max_examples=EACH_TIME[name], suppress_health_check=list(HealthCheck))
    @given(reader.inputs)
    def holds(content: bytes) -> None:
        reader.holds(content)

    holds()


@pytest.mark.parametrize("path", sorted(CORPUS.iterdir()), ids=lambda path: path.name)
def test_what_once_found_something(path):
    """Named after its reader: "request.two-origins"."""
    READERS[path.name.split(".")[0].replace("-", " ")].holds(path.read_bytes())


CSV = """# began: 2026-05-31 10:20
# title: Gull Stack{}
# cylinder: back{}, air, 12 L, 200 bar, 80 bar
time [s],depth [m]
0,0
120,20
1500,20
1800,0
"""


@pytest.mark.parametrize("sign", ["\x9b31m", "\x7f", "\u202e", "\u2066"])
def test_signs_that_steer_a_terminal_do_not_come_in_with_a_file(sign):
    """U+009B begins a command of the terminal as ESC [ does (ECMA-48); U+202E writes what follows backwards."""
    ((_, dived),) = read_bytes("dive.csv", CSV.format(sign, sign).encode()).dives
    assert isinstance(dived, Dived)
    assert harmless(dived.title)
    assert harmless(dived.cylinders[0].name)


def test_a_refusal_quotes_little_of_an_endless_cell():
    with pytest.raises(DiveFileError) as refused:
        read_bytes("dive.csv", CSV.format("", "").replace("200 bar", "2 " * 50_000).encode())
    assert len(str(refused.value)) < 2 * MOST_MESSAGE


UDDF = """<uddf><gasdefinitions><mix id="m"><o2>{}</o2></mix></gasdefinitions>
<profiledata><repetitiongroup><dive>
<informationbeforedive><datetime>2026-05-31T10:20:00</datetime></informationbeforedive>
<samples><waypoint><divetime>0</divetime><depth>0</depth><switchmix ref="m"/></waypoint>
<waypoint><divetime>600</divetime><depth>20</depth></waypoint>
<waypoint><divetime>1200</divetime><depth>0</depth></waypoint></samples>
</dive></repetitiongroup></profiledata></uddf>"""


@pytest.mark.parametrize("oxygen", ["0.21", "1e-308"])
def test_what_comes_in_can_go_out_again(oxygen):
    """A gas nearly without oxygen is refused, or written so that it can be read."""
    ((_, dived),) = read_bytes("dive.uddf", UDDF.format(oxygen).encode()).dives
    if isinstance(dived, Dived):
        ((_, back),) = read_bytes("dive.csv", csv_of(dived)).dives
        assert isinstance(back, Dived)

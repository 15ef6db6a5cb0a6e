"""The log's words on the page, and where what was breathed goes in a dive file."""

from datetime import datetime

import pytest

from leadline.app import dives
from leadline.app.charts import MOST_POINTS, dived_chart, thinned
from leadline.app.draft import Draft
from leadline.app.log import _place
from leadline.app.log_service import Brought
from leadline.logbook.database.store import Entry, Logged
from leadline.logbook.debrief.breathing_rate import Offer
from leadline.logbook.dived import CylinderCarried, Dived, GasBreathed, KeptPlan, Profile
from leadline.physics.mix import Mix
from leadline.units import SYSTEMS

BAD = "<script>{b}"


def dived(**changes):
    given = {
        "began": datetime(2026, 5, 31, 23, 50),
        "profile": Profile((0.0, 2.0, 20.0, 24.0), (0.0, 30.0, 30.0, 0.0), pressure_bar=((200.0, None, None, 60.0),)),
        "cylinders": (CylinderCarried(BAD, Mix.parse("32"), 12.0, 200.0, 60.0),),
        "breathed": (GasBreathed(0.0, 0),),
        "title": BAD, "diver": BAD, "notes": BAD,
    }  # fmt: skip
    return Dived(**(given | changes))


def test_every_word_of_a_dive_is_escaped():
    logged = Logged(3, dived())
    entry = Entry(3, logged.dived.began, BAD, BAD, 30.0, 24.0, True)
    system = SYSTEMS["metric"]
    for html in (
        dives.facts(logged, system),
        dives.carried(logged.dived, system),
        dives.entries([entry], system, 3),
        dives.brought(Brought((3,), 0, 1, (BAD,))),
        dives.refused([BAD]),
    ):
        assert "<script>" not in html
        assert "&lt;script&gt;" in html
    labels = [
        series.get("endLabel", {}).get("formatter") for series in dived_chart(logged.dived, None, system)["series"]
    ]
    assert "<script>(b)" in labels  # in braces the picture would look for something to fill in


def test_a_dive_in_figures():
    """Mean of 30 m for 24 min, 2 min down and 4 min up: (30 + 540 + 60) / 24 = 26.25 m; over midnight; in feet."""
    said = dives.facts(Logged(3, dived()), SYSTEMS["metric"])
    assert "2026-05-31 23:50 to 2026-06-01 00:14" in said
    assert "mean 26.2 m" in said or "mean 26.3 m" in said
    assert "run time 24:00" in said
    assert "Deepest 98 ft" in dives.facts(Logged(3, dived()), SYSTEMS["imperial"])  # 30 m / 0.3048


@pytest.mark.parametrize(
    ("plan", "asked", "units"),
    [
        (None, None, "metric"),
        (None, "imperial", "imperial"),
        ('units = "imperial"', None, "imperial"),
        ('units = "imperial"', "metric", "imperial"),
        ("units = ", "imperial", "metric"),
    ],
)
def test_units(plan, asked, units):
    logged = Logged(1, dived(plan=None if plan is None else KeptPlan("dive.toml", plan)))
    assert dives.system_of(logged, asked).name == units


def test_what_came_in_in_words():
    assert dives.brought(Brought()) == "<p>No dive came in.</p>"
    assert "1 dive came in, 4; 1 was in the log already; 1 is broken." in dives.brought(Brought((4,), 1, 1))
    stopped = dives.brought(Brought(ended=("a.uddf: stopped after 3 of 9 dives; what has come in is whole",)))
    assert "stopped after 3 of 9 dives" in stopped
    assert "No dive came in" not in stopped
    assert "3 dives came in, 4 to 5, 9; 2 were in the log already." in dives.brought(Brought((9, 4, 5), 2))


def test_a_long_dive_is_drawn_with_its_deepest_and_shallowest():
    """A day of a sample a second, with one moment at 61 m and one at the surface between."""
    count = 86_400
    depths = [0.0, *([20.0] * (count - 2)), 0.0]
    depths[40_001], depths[50_001] = 61.0, 0.0
    long = Profile(tuple(i / 60.0 for i in range(count)), tuple(depths))
    shown = thinned(long)
    assert len(shown) <= MOST_POINTS + 2
    assert shown == sorted(set(shown))
    assert {0, 40_001, 50_001, count - 1} <= set(shown)
    short = dived().profile
    assert thinned(short) == [0, 1, 2, 3]


ONE = 'units = "metric"\n[diver]\nrmv_bottom = 18\n'
TEAM = ONE + '[loop]\nsetpoint = 1.3\n[[team]]\nname = "Ann"\n[[team]]\nname = "Ben"\n[team.loop]\nsetpoint = 1.2\n'


@pytest.mark.parametrize(
    ("text", "key", "diver", "place"),
    [
        (ONE, "rmv_bottom", "Ann", ("diver", "rmv_bottom")),
        (ONE, "rmv_deco", "", ("diver", "rmv_deco")),
        (ONE, "metabolic_oxygen", "Ann", None),
        (TEAM, "rmv_bottom", "ben", ("team", 1, "rmv_bottom")),
        (TEAM, "rmv_bottom", "Cleo", None),
        (TEAM, "rmv_bottom", "", None),
        (TEAM, "metabolic_oxygen", "Ann", ("loop", "metabolic_oxygen")),
        (TEAM, "metabolic_oxygen", "Ben", ("team", 1, "loop", "metabolic_oxygen")),
    ],
)
def test_where_a_rate_goes(text, key, diver, place):
    offer = Offer(key, 17.0, 16.0, 18.0, 20.0, 2, 0.2, 18.0)
    assert _place(Draft(text), offer, diver) == place

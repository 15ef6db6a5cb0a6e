"""Dives of the log carried into the next one: as one continuous profile, integrated by SciPy; oxygen by hand."""

from dataclasses import replace
from datetime import datetime, timedelta
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from leadline.dive_file import DiveFileError, read_dive
from leadline.logbook.database.store import Logbook
from leadline.logbook.dived import CylinderCarried, Dived, GasBreathed, KeptPlan, Profile
from leadline.logbook.residual import from_log
from leadline.logbook.retrace import load
from leadline.physics.mix import Mix
from leadline.plan import plan_dive
from leadline.plan.oxygen import carried
from leadline.plan.schedule import starting_tissue
from tests.authority.published import ZHL16
from tests.dives import sentence

RATE = np.log(2.0) / np.array([ZHL16["n2_half_time_min"], ZHL16["he_half_time_min"]])
MORNING = datetime(2026, 5, 31, 9, 0)
AIR, TRIMIX = Mix.parse("air"), Mix.parse("21/35")
FIRST = [(0, 0), (2, 40), (22, 38), (27, 6), (40, 6), (41, 0)]
SECOND = [(0, 0), (2, 30), (30, 28), (36, 5), (45, 5), (46, 0)]
DIVE = """units = "metric"
{more}
[[levels]]
depth = 30
leave_at = 20
[[cylinders]]
name = "twins"
gas = "air"
size = 24
pressure = 230
use = "bottom"
"""


def dived(points, began, mix=AIR, diver="Ann", title=""):
    times, depths = zip(*points, strict=True)
    profile = Profile(tuple(map(float, times)), tuple(map(float, depths)))
    return Dived(began, profile, (CylinderCarried("twins", mix),), (GasBreathed(0.0, 0),), title, diver)


def file(folder, previous, more=""):
    path = folder / "next.toml"
    path.write_text(DIVE.format(more=more) + previous)
    return path


@pytest.fixture
def log(tmp_path, monkeypatch):
    """A log of Ann's two dives of a morning, one on trimix and one on air, and a dive of Ben's between them."""
    url = f"sqlite:///{tmp_path / 'dives.db'}"
    monkeypatch.setenv("LEADLINE_DATABASE", url)
    with Logbook.open() as book:
        book.add(dived(FIRST, MORNING, TRIMIX))
        book.add(dived(FIRST, MORNING + timedelta(minutes=1), AIR, "Ben"))
        book.add(dived(SECOND, MORNING + timedelta(minutes=150), title="Keel"))
    return tmp_path


def integrated(pieces):
    """Tissues after straight pieces (minutes, from m, to m, mix), by the equation itself, at sea level in EN 13319."""
    state = np.zeros((2, 16))
    state[0] = (1.01325 - 0.0627) * (1.0 - 0.2098)
    for minutes, start_m, end_m, mix in pieces:

        def change(t, p, minutes=minutes, start_m=start_m, end_m=end_m, mix=mix):
            dry = 1.01325 + 0.1 * (start_m + (end_m - start_m) * t / minutes) - 0.0627
            return (RATE * (dry * np.array([[mix.n2], [mix.he]]) - p.reshape(2, 16))).ravel()

        state = solve_ivp(change, (0.0, minutes), state.ravel(), method="DOP853", rtol=1e-10, atol=1e-12).y[:, -1]
        state = state.reshape(2, 16)
    return state


def legs(points, mix):
    return [(t1 - t0, d0, d1, mix) for (t0, d0), (t1, d1) in pairwise(points)]


def test_the_next_dive_begins_where_one_continuous_profile_ends(log):
    """41 min dive, 109 min at the surface to 150 min, 46 min dive, 75 min more: nobody else's dive counts."""
    whole = [*legs(FIRST, TRIMIX), (109, 0, 0, AIR), *legs(SECOND, AIR), (75, 0, 0, AIR)]
    dive = read_dive(file(log, "[[previous]]\nlog = 3\nsurface_interval = 75\n"), from_log())
    assert starting_tissue(dive) == pytest.approx(integrated(whole), abs=1e-6)
    assert dive.previous[0].title == "Keel (dive 3 of the log, Ann, 2026-05-31)"


def test_a_later_dive_in_the_surface_interval_is_not_left_out(log):
    """Dive 1 ends at 09:41, dive 3 begins at 11:30, 109 min later: Ben's in between is none of Ann's."""
    read_dive(file(log, "[[previous]]\nlog = 1\nsurface_interval = 109\n"), from_log())
    said = "after dive 1 the log has dive 3, 2026-05-31 11:30, within that surface interval; name that one"
    with pytest.raises(DiveFileError, match=said):
        read_dive(file(log, "[[previous]]\nlog = 1\nsurface_interval = 110\n"), from_log())


def test_oxygen_is_carried_from_both(log, tmp_path):
    """CNS of the first dive is halved every 90 min through interval and the second dive's interval; OTU add up."""
    after_both = carried(read_dive(file(log, "[[previous]]\nlog = 3\nsurface_interval = 75\n"), from_log()))
    after_first = carried(read_dive(file(log, "[[previous]]\nlog = 1\nsurface_interval = 0\n"), from_log()))
    with Logbook.open(f"sqlite:///{tmp_path / 'alone.db'}") as alone:
        alone.add(dived(SECOND, MORNING))
    second = carried(
        read_dive(
            file(log, "[[previous]]\nlog = 1\nsurface_interval = 0\n"), from_log(f"sqlite:///{tmp_path}/alone.db")
        )
    )
    by_hand = (after_first.cns_percent * 0.5 ** (109 / 90) + second.cns_percent) * 0.5 ** (75 / 90)
    assert after_both.cns_percent == pytest.approx(by_hand, rel=1e-9)
    assert after_both.otu == pytest.approx(after_first.otu + second.otu, rel=1e-9)
    assert after_both.cns_percent > 1.0


@pytest.mark.parametrize(
    ("previous", "more", "said"),
    [
        ("log = 9", "", "next.toml: [[previous]] 1, log: there is no dive 9 in the log; it has 1 to 3"),
        ("log = { Ann = 2 }", '[[team]]\nname = "Ann"', "dive 2 of the log was dived by Ben, not by Ann"),
    ],
)
def test_a_dive_that_is_not_there_is_named(log, previous, more, said):
    path = log / "next.toml"
    path.write_text(f"{DIVE.format(more='')}{more}\n[[previous]]\n{previous}\nsurface_interval = 60\n")
    with pytest.raises(DiveFileError) as refused:
        read_dive(path, from_log())
    assert said in "\n".join(refused.value.lines())


def test_the_log_is_not_opened_for_a_dive_that_does_not_ask(tmp_path, monkeypatch):
    monkeypatch.setenv("LEADLINE_DATABASE", f"sqlite:///{tmp_path / 'nothing.db'}")
    read_dive(file(tmp_path, ""), from_log())
    assert not (tmp_path / "nothing.db").exists()


# --- At altitude ------------------------------------------------------------------------------------------------------


def up_at_the_lake(tmp_path, kept):
    """A dive of the log at 2200 m with a dive file kept, and one planned after it."""
    url = f"sqlite:///{tmp_path}/lake.db"
    with Logbook.open(url) as lake:
        planned = KeptPlan("lake.toml", kept) if kept else None
        lake.add(replace(dived(SECOND, MORNING), altitude_m=2200.0, plan=planned))
    after = file(tmp_path, "[site]\naltitude = 2200\n[[previous]]\nlog = 1\nsurface_interval = 75\n")
    return read_dive(after, from_log(url))


def test_a_dive_of_the_log_begins_by_the_dive_file_kept_with_it(tmp_path):
    """Driven up from sea level just before: the standard atmosphere's 0.7753 bar at 2200 m, by the equation itself."""
    dive = up_at_the_lake(tmp_path, 'units = "metric"\n[site]\naltitude = 2200\nacclimatised = 0\n')
    bar = 1.01325 * (1.0 - 0.0065 * 2200.0 / 288.15) ** (9.80665 / (287.05287 * 0.0065))
    state = np.full(16, (1.01325 - 0.0627) * 0.7902)
    for minutes, start_m, end_m, mix in [*legs(SECOND, AIR), (75, 0, 0, AIR)]:
        solved = solve_ivp(
            lambda t, p, m=minutes, a=start_m, b=end_m, n2=mix.n2: (
                RATE[0] * ((bar + 0.1 * (a + (b - a) * t / m) - 0.0627) * n2 - p)
            ),
            (0.0, minutes), state, method="DOP853", rtol=1e-10, atol=1e-12,
        )  # fmt: skip
        state = solved.y[:, -1]
    assert starting_tissue(dive)[0] == pytest.approx(state, abs=1e-6)
    assert not [f for f in plan_dive(dive).findings if f.code == "not-acclimatised"]


@pytest.mark.parametrize("kept", ["", 'units = "metric"\n[site]\naltitude = 2200\n'])
def test_a_dive_of_the_log_that_does_not_say_how_long_is_a_caution(tmp_path, kept):
    """The price is that of the same two dives, with the file that says "just now"."""
    folders = [tmp_path / "not_said", tmp_path / "just_now"]
    for folder in folders:
        folder.mkdir()
    found = plan_dive(up_at_the_lake(folders[0], kept))
    just_now = plan_dive(up_at_the_lake(folders[1], 'units = "metric"\n[site]\naltitude = 2200\nacclimatised = 0\n'))
    caution = next(f for f in found.findings if f.code == "not-acclimatised")
    assert caution.values["run_time_min"] == pytest.approx(just_now.schedule.run_time_min)
    assert just_now.schedule.run_time_min > found.schedule.run_time_min
    assert "How long the diver had been up there before dive 1 of the log" in sentence(caution)


def test_a_dive_of_the_log_run_alone_begins_by_the_site_of_its_file():
    """For who has just come up, with sea level's tissues; a file of another altitude is not of this dive."""
    kept = KeptPlan("lake.toml", 'units = "metric"\n[site]\naltitude = 2200\nacclimatised = 0\n')
    lake = replace(dived(SECOND, MORNING), altitude_m=2200.0, plan=kept)
    at_sea_level = (1.01325 - 0.0627) * 0.7902
    assert load(lake, "ZH-L16C").tensions_bar[0][0] == pytest.approx([at_sea_level] * 16)
    elsewhere = load(replace(lake, altitude_m=1500.0), "ZH-L16C")
    assert (elsewhere.tensions_bar[0][0] < at_sea_level - 0.1).all()

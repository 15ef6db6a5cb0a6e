"""Oxygen exposure against hand arithmetic and SciPy's quadrature. (The printed tables are among the check values.)"""

import math
from itertools import pairwise

import pytest
from scipy.integrate import quad

from leadline.dive_file import parse_dive
from leadline.physics.environment import Environment
from leadline.physics.mix import Mix
from leadline.plan.gases import Source
from leadline.plan.oxygen import (
    NOAA_PPO2_BAR,
    NOAA_SINGLE_MIN,
    after_surface_interval,
    cns_rate,
    day_rate,
    exposure_limit,
    judge,
    mean_rates,
    otu_rate,
    oxygen_exposure,
)
from leadline.plan.schedule import Leg
from tests.authority.published import OXYGEN, rows
from tests.dives import tables

CNS = OXYGEN["noaa_cns"]
DIVE = parse_dive(tables(12, 20))
OXYGEN_GAS = Source(Mix.parse("oxygen"))


def leg(source, minutes, start_m, end_m, start_min=0.0):
    kind = "level" if start_m == end_m else "descent" if end_m > start_m else "ascent"
    return Leg(kind, start_min, start_min + minutes, start_m, end_m, source, 0, False)


def at_ppo2(ppo2_bar):
    """A site where oxygen at the surface has this ppO2."""
    return Environment(surface_bar=ppo2_bar)


def test_there_are_no_other_rows():
    assert list(NOAA_PPO2_BAR) == CNS["ppo2_bar"]
    assert list(NOAA_SINGLE_MIN) == CNS["single_min"]


def test_below_and_above_the_table():
    """The NOAA table says nothing there: these are Leadline's own choices, as docs/method.md has them."""
    assert exposure_limit(0.5) == math.inf
    assert cns_rate(0.21) == 0.0
    assert exposure_limit(0.55) == 720.0
    assert exposure_limit(1.61325) == exposure_limit(1.63) == 45.0  # oxygen at 6 m: within the grid's tolerance
    assert exposure_limit(1.65) == pytest.approx(30.0)  # as 1.62: 45 - 0.2 · 75
    assert exposure_limit(3.0) == 1.0


def test_otu_by_hand():
    """Hamilton's power law: 1 a minute at 1 bar by definition; at 1.5 bar 2^(5/6) = 1.7818; none up to 0.5 bar."""
    assert otu_rate(1.0) == 1.0
    assert otu_rate(1.5) == pytest.approx(1.7818, abs=5e-5)
    assert otu_rate(0.5) == otu_rate(0.2) == 0.0


def test_cns_halves_in_ninety_minutes():
    """Half-life of 90 min at the surface (common practice, after Hamilton's REPEX; no measured source)."""
    assert after_surface_interval(80.0, 0.0) == 80.0
    assert after_surface_interval(80.0, 90.0) == pytest.approx(40.0, rel=1e-15)
    assert after_surface_interval(80.0, 270.0) == pytest.approx(10.0, rel=1e-15)
    assert after_surface_interval(80.0, 45.0) == pytest.approx(80.0 / math.sqrt(2.0), rel=1e-15)


@pytest.mark.parametrize(("ppo2_bar", "minutes"), rows(CNS, "ppo2_bar", "single_min"))
def test_a_full_exposure_is_a_hundred_percent(ppo2_bar, minutes):
    """By the NOAA table's meaning: 45 min at 1.6 bar are 100 %, as 720 min at 0.6 bar are."""
    found = oxygen_exposure([leg(OXYGEN_GAS, minutes, 0.0, 0.0)], at_ppo2(ppo2_bar))
    assert found.cns_percent == pytest.approx(100.0, rel=1e-12)
    assert found.otu == pytest.approx(minutes * ((ppo2_bar - 0.5) / 0.5) ** (5 / 6), rel=1e-12)
    assert found.highest_ppo2_bar == ppo2_bar


def test_a_dilution_by_hand():
    """32 % at 30 m: 4.01325 bar · 0.32 = 1.28424 bar; 210 - 0.8424 · 30 = 184.7280 min; 40 min are 21.6535 %."""
    found = oxygen_exposure([leg(Source(Mix.parse("32")), 40.0, 30.0, 30.0)], Environment())
    assert found.highest_ppo2_bar == pytest.approx(1.28424, abs=1e-9)
    assert found.cns_percent == pytest.approx(21.6535, abs=5e-5)


@pytest.mark.parametrize(
    ("source", "start_m", "end_m", "minutes", "within"),
    [
        (Source(Mix.parse("32")), 0.0, 40.0, 2.0, 1e-12),
        (Source(Mix.parse("18/45")), 75.0, 21.0, 6.0, 1e-12),
        (Source(Mix.parse("50")), 21.0, 0.0, 21 / 9, 1e-12),
        (Source(Mix.parse("50")), 21.0, 20.999, 1.0, 1e-9),  # hardly any way
        (Source(Mix.parse("50")), 21.0, 20.999999, 1.0, 1e-6),  # less than an integral is worked out over
        (OXYGEN_GAS, 6.0, 0.0, 6.0, 1e-12),
        (OXYGEN_GAS, 0.0, 15.0, 6.0, 1e-12),  # far over the table
        (Source(Mix.parse("10/50"), 1.3), 0.0, 90.0, 4.5, 1e-12),  # all oxygen at first, then the setpoint
        (Source(Mix.parse("air"), 0.7), 50.0, 0.0, 5.0, 1e-12),  # the diluent alone, the setpoint, then all oxygen
        (Source(Mix.parse("32"), None, 0.04), 40.0, 12.0, 5.0, 1e-5),  # semi-closed: a bent line in straight pieces
    ],
)
def test_travel_is_the_integral(source, start_m, end_m, minutes, within):
    """Against SciPy's quad, told where the rates and ppO2 have corners."""
    where = Environment()

    def ppo2(t):
        return source.ppo2(where.pressure(start_m + (end_m - start_m) * t / minutes))

    bars = (0.5, *NOAA_PPO2_BAR, 1.63, 1.63 + 44.0 / 750.0)  # the last row's slope, 75 min for 0.1 bar, ends at 1 min
    corners = [t for bar in bars if (t := _when(ppo2, bar, minutes)) is not None]
    if source.setpoint_bar is not None:  # where all is oxygen but for water vapour, and where the diluent is richer
        bends = (source.setpoint_bar + 0.0627, source.setpoint_bar / source.mix.o2 + 0.0627)
        bars = sorted((where.pressure(start_m), where.pressure(end_m)))
        corners += [
            minutes * (bar - where.pressure(start_m)) / (where.pressure(end_m) - where.pressure(start_m))
            for bar in bends
            if bars[0] < bar < bars[1]
        ]
    found = oxygen_exposure([leg(source, minutes, start_m, end_m)], where)
    assert found.cns_percent == pytest.approx(100.0 * _integral(cns_rate, ppo2, minutes, corners), rel=within)
    assert found.otu == pytest.approx(_integral(otu_rate, ppo2, minutes, corners), rel=within)
    assert found.day_percent == pytest.approx(100.0 * _integral(day_rate, ppo2, minutes, corners), rel=1e-6)


def _integral(rate, ppo2, minutes, corners):
    pieces = pairwise([0.0, *sorted(corners), minutes])
    return sum(
        quad(lambda t: rate(ppo2(t)), start, end, epsabs=0.0, epsrel=1e-13, limit=500)[0] for start, end in pieces
    )


def test_oxygen_from_1_6_to_1_5_bar_by_hand():
    """The limit goes from 45 to 120 min in a straight line, and the mean of its reciprocal is ln(120/45) / 75, 1.3078 %
    a minute. OTU: 3/11 · (2.2^(11/6) - 2^(11/6)) / 0.1 = 1.8556 a minute."""
    cns, otu, day = mean_rates(1.6, 1.5)
    assert cns == pytest.approx(math.log(120.0 / 45.0) / 75.0, rel=1e-12)
    assert otu == pytest.approx(3.0 / 11.0 * (2.2 ** (11 / 6) - 2.0 ** (11 / 6)) / 0.1, rel=1e-12)
    assert day == pytest.approx(math.log(180.0 / 150.0) / 30.0, rel=1e-12)


def _when(ppo2, bar, minutes):
    """When a ppO2 that only rises or only falls passes a value: by halving."""
    low, high = (0.0, minutes) if ppo2(0.0) < ppo2(minutes) else (minutes, 0.0)
    if not ppo2(low) < bar < ppo2(high):
        return None
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if ppo2(middle) < bar else (low, middle)
    return 0.5 * (low + high)


@pytest.mark.parametrize(("minutes", "severity"), [(36.0, None), (36.1, "caution"), (45.0, "caution"), (45.1, "no-go")])
def test_cns_findings(minutes, severity):
    """At 1.6 bar 36 min are 80 % and 45 min 100 % (NOAA); that 80 % is worth a caution: common practice, no source."""
    found = judge(DIVE, oxygen_exposure([leg(OXYGEN_GAS, minutes, 0.0, 0.0)], at_ppo2(1.6)))
    assert [(f.code, f.severity) for f in found] == ([("cns", severity)] if severity else [])


@pytest.mark.parametrize(
    ("no_go", "minutes", "severity", "grave"),
    [
        (850, 300.0, None, False),
        (850, 301.0, "caution", False),
        (850, 850.0, "caution", False),
        (850, 851.0, "no-go", True),
        ("never", 850.0, "caution", False),
        ("never", 851.0, "caution", True),
    ],
)
def test_otu_findings(no_go, minutes, severity, grave):
    """REPEX (Hamilton 1988): 300 OTU a day can be kept up, 850 is a single day's most: a no-go to who makes it one, and
    else the gravest caution. At 1 bar, 1 a minute."""
    dive = parse_dive(tables(12, 20, limits={"otu_no_go": no_go}))
    found = [
        f for f in judge(dive, oxygen_exposure([leg(OXYGEN_GAS, minutes, 0.0, 0.0)], at_ppo2(1.0))) if f.code == "otu"
    ]
    assert [(f.severity, f.grave) for f in found] == ([(severity, grave)] if severity else [])

"""No-stop limits against two published air tables (data/no_stop_limits.toml). Brackets: models differ."""

import pytest

from tests.authority.published import NO_STOP_LIMITS, rows
from tests.dives import scheduled, tables

BUHLMANN = NO_STOP_LIMITS["buhlmann_1986_air"]
US_NAVY = NO_STOP_LIMITS["us_navy_rev7_air"]


def metric_limit(depth_m, gf):
    return scheduled(tables(depth_m, 5, gf=(gf, gf), rates={"ascent": 10})).ndl_min


def imperial_limit(depth_ft, gf):
    """Sea water, down at 75 ft/min and up at 30, as the U.S. Navy Diving Manual's tables suppose."""
    given = tables(
        depth_ft, 5, gf=(gf, gf), units="imperial", site={"water": "sea"}, rates={"descent": 75, "ascent": 30}
    )
    return scheduled(given).ndl_min


@pytest.mark.parametrize(("depth_m", "minutes"), rows(BUHLMANN, "depth_m", "minutes"))
def test_the_bare_model_lies_above_the_printed_table(depth_m, minutes):
    """The table carries margins over the model: at GF 100 the limit is longer than printed."""
    assert metric_limit(depth_m, 100) > minutes


@pytest.mark.parametrize(("depth_m", "minutes"), [row for row in rows(BUHLMANN, "depth_m", "minutes") if row[0] >= 18])
def test_gf_80_lies_within_the_printed_table(depth_m, minutes):
    assert metric_limit(depth_m, 80) <= minutes


@pytest.mark.parametrize(("depth_fsw", "minutes"), rows(US_NAVY, "depth_fsw", "minutes"))
def test_gf_85_is_not_longer_than_the_navys(depth_fsw, minutes):
    """A second authority of another model: longer by more than a minute would be a planner's fault."""
    assert imperial_limit(depth_fsw, 85) <= minutes + 1


def test_deeper_is_shorter():
    limits = [metric_limit(depth_m, 85) for depth_m in range(9, 60, 3)]
    assert limits == sorted(limits, reverse=True)
    assert limits[0] > 5 * limits[-1]


def test_the_limit_is_where_stops_begin():
    """A minute more than the limit needs a stop; the limit itself does not. (What a no-stop limit is.)"""
    for depth_m in (15, 21, 30, 40):
        limit = scheduled(tables(depth_m, 5)).ndl_min
        assert not scheduled(tables(depth_m, limit)).stops
        assert scheduled(tables(depth_m, limit + 1)).stops

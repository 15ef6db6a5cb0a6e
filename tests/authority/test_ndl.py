"""What a no-stop limit is. (The published tables are among the check values.)"""

from tests.dives import scheduled, tables


def test_deeper_is_shorter():
    limits = [scheduled(tables(depth_m, 5, gf=(85, 85))).ndl_min for depth_m in range(9, 60, 3)]
    assert limits == sorted(limits, reverse=True)
    assert limits[0] > 5 * limits[-1]


def test_the_limit_is_where_stops_begin():
    """A minute more than the limit needs a stop; the limit itself does not. (What a no-stop limit is.)"""
    for depth_m in (15, 21, 30, 40):
        limit = scheduled(tables(depth_m, 5)).ndl_min
        assert not scheduled(tables(depth_m, limit)).stops
        assert scheduled(tables(depth_m, limit + 1)).stops

"""The picture of the limits, drawn from a frontier that is made up by hand."""

import xml.etree.ElementTree as ElementTree
from dataclasses import replace

import pytest

from leadline.dive_file import parse_dive
from leadline.sheets.frontier import (
    HEIGHT_MM,
    MOST_CURVES,
    WIDTH_MM,
    draw_frontier,
    picture,
    picture_format,
    write_frontier,
)
from leadline.solve.frontier import Curve, Frontier, FrontierPoint
from tests.dives import tables

DEPTHS_M = (20.0, 30.0, 40.0)


def curve(name, *minutes):
    """A curve over the three depths: minutes, None for no time left, ">" for beyond the picture."""
    points = tuple(
        FrontierPoint(depth_m, 50 if left == ">" else left, left == ">", "", "")
        for depth_m, left in zip(DEPTHS_M, minutes, strict=True)
    )
    return Curve("gas-short", name, name, points)


def around(*curves):
    return Frontier(parse_dive(tables(30, 25)), 30.0, 25, True, 50, curves, True, 9)


GAS, DENSITY = curve("air in twin set", 40, 30, 20), curve("density of air", ">", ">", None)


def test_lines_go_through_their_points():
    """20 m is the left edge and 40 m the right; 0 min the lower edge and 50 min the upper."""
    data = picture(around(GAS, DENSITY))
    gas, density = (line["points"] for line in data["lines"])
    assert gas == [
        [0.0, pytest.approx(0.2 * HEIGHT_MM)],
        [WIDTH_MM / 2, pytest.approx(0.4 * HEIGHT_MM)],
        [WIDTH_MM, pytest.approx(0.6 * HEIGHT_MM)],
    ]
    # From the last depth at which it is not met, at the top, to no time at all.
    assert density == [[WIDTH_MM / 2, 0.0], [WIDTH_MM, HEIGHT_MM]]
    assert (data["point"]["x"], data["point"]["y"]) == (WIDTH_MM / 2, HEIGHT_MM / 2)


def test_the_shading_promises_no_more_than_the_worse_of_two_depths():
    """40 and 30 min: 30 between them. 30 min and, for density, none: nothing between them."""
    outline = picture(around(GAS, DENSITY))["within"]
    middle, high = WIDTH_MM / 2, pytest.approx(0.4 * HEIGHT_MM)
    assert outline == [
        [0.0, HEIGHT_MM], [0.0, high], [middle, high], [middle, HEIGHT_MM], [WIDTH_MM, HEIGHT_MM],
        [WIDTH_MM, HEIGHT_MM],
    ]  # fmt: skip


def test_lines_are_told_apart():
    """By a letter of their own on the line and in the legend, and by a dash of their own; never by colour alone."""
    data = picture(around(*(curve(f"gas {i}", 40 - i, 30 - i, 20 - i) for i in range(MOST_CURVES + 2))))
    letters = [line["letter"] for line in data["lines"]]
    assert letters == [one["letter"] for one in data["legend"]] == list("ABCDEFGHIJKL")
    assert len({line["pattern"] for line in data["lines"]}) == MOST_CURVES
    assert data["more"].startswith("2 limits more")


def test_nothing_shaded_where_it_was_stopped():
    data = picture(replace(around(GAS), complete=False))
    assert data["within"] == []
    assert "Incomplete" in data["verdict"]


@pytest.mark.parametrize("curves", [(), (GAS,), (curve("nothing", None, None, None),), (curve("all", ">", ">", ">"),)])
def test_every_frontier_can_be_drawn(curves):
    assert ElementTree.fromstring(draw_frontier(around(*curves), "svg")).tag.endswith("svg")
    assert draw_frontier(around(*curves), "png").startswith(b"\x89PNG")


def test_the_same_frontier_gives_the_same_bytes():
    assert draw_frontier(around(GAS), "svg") == draw_frontier(around(GAS), "svg")


def test_no_half_a_picture(tmp_path):
    with pytest.raises(ValueError, match=r"\.png or \.svg"):
        picture_format(tmp_path / "limits.pdf")
    (tmp_path / "limits.png").mkdir()
    with pytest.raises(IsADirectoryError):
        write_frontier(around(GAS), tmp_path / "limits.png")
    with pytest.raises(OSError, match="nowhere"):
        write_frontier(around(GAS), tmp_path / "nowhere" / "limits.png")
    assert [path.name for path in tmp_path.iterdir()] == ["limits.png"]

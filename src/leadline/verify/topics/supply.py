"""Gas to carry: what is breathed, minimum gas and turn pressures, worked by hand."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property, partial

from leadline.dive_file import parse_dive
from leadline.plan import Plan, plan_dive
from leadline.verify.check import Point, Series
from leadline.verify.published import Table, load, source_of

TOPIC = "Gas to carry"


def series() -> Iterator[Series]:
    """Litres and pressures."""
    breathed, minimum, turn = (load("supply")[name] for name in ("breathed", "minimum_gas", "turn"))
    shallow, keel = _Planned(breathed["file"]), _Planned(load("supply")["keel"])
    yield Series(
        TOPIC, "Breathed on a dive", "dive", "L", 2, "equal", 0.01, "the digits written", source_of(breathed),
        (Point("18 m for 20 min", breathed["litres"], shallow.breathed_l),), finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "Minimum gas", "from", "L", 2, "equal", 0.01, "the digits written", source_of(minimum),
        tuple(
            Point(said, litres, dive.minimum_l)
            for dive, (said, litres) in zip((keel, shallow), minimum["litres"].items(), strict=True)
        ),
        finer=0,
    )  # fmt: skip
    yield Series(
        TOPIC, "Turn pressure", "rule", "bar", 1, "equal", 0.05, "the digits written", source_of(turn),
        tuple(Point(rule, bar, partial(keel.turn_bar, rule)) for rule, bar in turn["bar"].items()), finer=1,
    )  # fmt: skip


class _Planned:
    """A dive, planned when it is first asked about."""

    def __init__(self, given: Table) -> None:
        self.given = given

    @cached_property
    def plan(self) -> Plan:
        """The plan of the dive file."""
        return plan_dive(parse_dive(self.given))

    def breathed_l(self) -> float:
        """From the first cylinder. [free litres]"""
        return self.plan.supply[0].used_l

    def minimum_l(self) -> float:
        """At the end of the only level. [free litres]"""
        return self.plan.minimum_gas[0].litres

    def turn_bar(self, rule: str) -> float:
        """Of the first cylinder, by a rule of the dive file's. [bar]"""
        wanted = float(rule) if rule[0].isdigit() else rule
        return plan_dive(parse_dive(self.given | {"gas": {"turn": wanted}})).turns[0].turn_bar

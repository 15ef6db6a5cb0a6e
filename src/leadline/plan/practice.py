"""Settings outside what divers commonly use: each is said, with the usual range beside it.

The ranges are common practice, without a source. They are in one table of docs/dive-file.md too.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from leadline.dive_file.schema import NEVER, Cylinder, Dive, Limits, PerUnits
from leadline.plan.findings import Finding
from leadline.plan.schedule import Schedule
from leadline.units import SYSTEMS, Kind, SystemName, parse

Values = Iterable[tuple[str, float | None]]
"""What a dive file has at a key: of which cylinder, or "", and how much [metric]; None where it is left to another
key."""


@dataclass(frozen=True)
class Usual:
    """The usual range of a setting."""

    key: str
    """Where it is written: "[rates] ascent"."""
    read: Callable[[Dive], Values]
    kind: Kind | None = None
    """None: a plain number in `unit`."""
    least: PerUnits | None = None
    most: PerUnits | None = None
    unit: str = ""

    def text(self, units: SystemName) -> str:
        """The range in words: "8 L/min to 40 L/min", "at most 10 m/min"."""
        least, most = (bound.text_for(units) if bound is not None else "" for bound in (self.least, self.most))
        if least and most:
            return f"{least} to {most}"
        return f"at least {least}" if least else f"at most {most}"

    def outside(self, dive: Dive) -> list[tuple[str, float]]:
        """Every value of a dive file outside the range. [metric]"""
        least = min(self._bounds(self.least), default=None)
        most = max(self._bounds(self.most), default=None)
        return [
            (of, value)
            for of, value in self.read(dive)
            if value is not None
            and ((least is not None and value < least - 1e-6) or (most is not None and value > most + 1e-6))
        ]

    def shown(self, value: float, units: SystemName) -> str:
        """A value as it would be written in the file's units, with its unit."""
        if value == NEVER:
            return "never"
        if self.kind is None:
            return f"{value:g} {self.unit}"
        system = SYSTEMS[units]
        if self.kind == "rate":
            return f"{value / system.depth_m:.3g} {system.depth_unit}/min"
        if self.kind == "depth":
            return system.at(value)
        if self.kind == "pressure":
            return f"{value / system.pressure_bar:.4g} {system.pressure_unit}"
        if self.kind == "gas flow":
            return f"{value / system.flow_l:.3g} {'L/min' if units == 'metric' else 'cuft/min'}"
        return f"{value:.4g} {'L' if self.kind == 'cylinder size' else 'min'}"

    def _bounds(self, bound: PerUnits | None) -> list[float]:
        """A bound as either system of units has it: the wider one counts, so that a dive file is judged alike in both.
        [metric]"""
        found = list[float]()
        for units in SYSTEMS if bound is not None else ():
            text = bound.text_for(units) if bound is not None else ""
            value = float(text.split()[0]) if self.kind is None else parse(text, self.kind, units)
            assert isinstance(value, float)
            found.append(value)
        return found


def usual_settings() -> tuple[Usual, ...]:
    """All that is looked at, in the order of the dive file."""
    return (
        Usual("[model] gradient_factors", lambda dive: [("GF high", dive.model.gradient_factors[1])], None,
              most=_alike("90 %"), unit="%"),
        Usual("[rates] ascent", lambda dive: [("", dive.rates.ascent)], "rate", most=_FAST),
        Usual("[rates] between_stops", lambda dive: [("", dive.rates.between_stops)], "rate", most=_FAST),
        Usual("[rates] to_surface", lambda dive: [("", dive.rates.to_surface)], "rate", most=_FAST),
        Usual("[[levels]] depth", lambda dive: [("", dive.deepest_m)], "depth", most=PerUnits("100 m | 330 ft")),
        Usual("[[cylinders]] size", _of_cylinders(lambda c: c.water_l), "cylinder size", most=_alike("50 L")),
        Usual("[[cylinders]] working_pressure", _of_cylinders(lambda c: c.working_pressure), "pressure", most=_FULL),
        Usual("[[cylinders]] pressure", _of_cylinders(lambda c: c.pressure), "pressure", most=_FULL),
        Usual("[[cylinders]] reserve", _of_cylinders(lambda c: c.reserve if c.use != "inflation" else None),
              "pressure", least=PerUnits("20 bar | 290 psi")),
        Usual("[diver] rmv_bottom", lambda dive: [("", dive.diver.rmv_bottom)], "gas flow", *_RMV),
        Usual("[diver] rmv_deco", lambda dive: [("", dive.diver.rmv_deco)], "gas flow", *_RMV),
        Usual("[diver] rmv_stressed", lambda dive: [("", dive.diver.rmv_stressed)], "gas flow",
              PerUnits("8 L/min | 0.28 cuft/min"), PerUnits("75 L/min | 2.6 cuft/min")),
        Usual("[diver] sorting_out", lambda dive: [("", dive.diver.sorting_out)], "time", least=_alike("1 min")),
        _loosened("ppo2_bottom", lambda limits: limits.ppo2_bottom, None, "bar"),
        _loosened("ppo2_deco", lambda limits: limits.ppo2_deco, None, "bar"),
        _loosened("ppo2_bottom_no_go", lambda limits: limits.ppo2_bottom_no_go, None, "bar", "ppo2_bottom"),
        _loosened("cns_caution", lambda limits: limits.cns_caution, None, "%"),
        _loosened("cns_no_go", lambda limits: limits.cns_no_go, None, "%"),
        _loosened("otu_caution", lambda limits: limits.otu_caution, None, "OTU"),
        _loosened("density_caution", lambda limits: limits.density_caution, None, "g/L"),
        _loosened("end_caution", lambda limits: limits.end_caution, "depth"),
        _loosened("scrubber_caution", lambda limits: limits.scrubber_caution, None, "%"),
        _loosened("scrubber_no_go", lambda limits: limits.scrubber_no_go, None, "%"),
    )  # fmt: skip


def _alike(text: str) -> PerUnits:
    """A bound that is the same in both systems of units."""
    return PerUnits(f"{text} | {text}")


_FAST, _FULL = PerUnits("10 m/min | 33 ft/min"), PerUnits("300 bar | 4400 psi")
_RMV = PerUnits("8 L/min | 0.28 cuft/min"), PerUnits("40 L/min | 1.4 cuft/min")
MOST_RUN_TIME_MIN = 360.0
"""Beyond it, as deeper than 100 m, hardly any decompression dives are made (common practice, no source)."""


def _of_cylinders(value: Callable[[Cylinder], float | None]) -> Callable[[Dive], Values]:
    return lambda dive: [(cylinder.name, value(cylinder)) for cylinder in dive.cylinders]


def _loosened(
    key: str, value: Callable[[Limits], float | None], kind: Kind | None, unit: str = "", default_of: str = ""
) -> Usual:
    """A limit of the diver's own, held to its default, or to that of the limit that stands in for it."""
    default = Limits.model_fields[default_of or key].default
    most = default if isinstance(default, PerUnits) else _alike(f"{default:g} {unit}")
    return Usual(f"[limits] {key}", lambda dive: [("", value(dive.limits))], kind, most=most, unit=unit)


USUAL = usual_settings()


def judge(dive: Dive, found: Schedule) -> Iterator[Finding]:
    """Every setting outside its usual range, and a dive longer than are commonly made."""
    for usual in USUAL:
        outside = usual.outside(dive)
        if outside:
            values = {"key": usual.key, "value": outside[0][1], "outside": tuple(outside)}
            yield Finding("setting-unusual", "caution", values)
    if found.run_time_min > MOST_RUN_TIME_MIN + 1e-6:
        values = {"key": "[[levels]] leave_at", "value": found.run_time_min}
        yield Finding("setting-unusual", "caution", values)

"""The dive file's schema.

Every quantity is read as a number in the file's units or as text with its own unit, and is metric from there on. A
default that a diver thinks of in round numbers has one for each system of units.
"""

from __future__ import annotations

from functools import cached_property
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    ValidationInfo,
    WithJsonSchema,
    model_validator,
)

from leadline.physics.environment import Environment
from leadline.physics.mix import Mix
from leadline.physics.real_gas import water_litres
from leadline.tissue.coefficients import SetName
from leadline.units import SYSTEMS, Kind, RatedCubicFeet, SystemName, parse

Use = Literal["bottom", "travel", "deco", "bailout", "diluent", "oxygen", "inflation"]
OPEN_CIRCUIT_USES: tuple[Use, ...] = ("bottom", "travel", "deco", "bailout")


class PerUnits(str):
    """A default that differs between metric and imperial files: "3 m | 10 ft"."""

    __slots__ = ()

    def text_for(self, units: SystemName) -> str:
        """The default of one system of units."""
        metric, imperial = self.split(" | ")
        return metric if units == "metric" else imperial


def _units(info: ValidationInfo) -> SystemName:
    units: SystemName = (info.context or {}).get("units", "metric")
    return units


def _quantity(kind: Kind, low: float, high: float) -> Any:
    """A validator for a quantity of a kind, within metric bounds."""

    def read(value: object, info: ValidationInfo) -> float | RatedCubicFeet:
        units = _units(info)
        number = parse(value.text_for(units) if isinstance(value, PerUnits) else value, kind, units)
        if isinstance(number, float) and not low - 1e-9 <= number <= high + 1e-9:
            raise ValueError(f"{value} is outside {_bounds(kind, low, high, units)}")
        return number

    return BeforeValidator(read)


def _bounds(kind: Kind, low: float, high: float, units: SystemName) -> str:
    system = SYSTEMS[units]
    factor, unit = {
        "depth": (system.depth_m, system.depth_unit),
        "altitude": (system.depth_m, system.depth_unit),
        "rate": (system.depth_m, f"{system.depth_unit}/min"),
        "pressure": (system.pressure_bar, system.pressure_unit),
        "gas flow": (system.flow_l, "L/min" if units == "metric" else "cuft/min"),
        "cylinder size": (1.0, "L of water"),
        "volume": (1.0, "L"),
        "time": (1.0, "min"),
        "temperature": (1.0, "°C"),
        "density": (1.0, "kg/m³"),
    }[kind]
    return f"{low / factor:.4g} to {high / factor:.4g} {unit}"


_NUMBER_OR_TEXT = WithJsonSchema({"type": ["number", "string"]})
Depth = Annotated[float, _quantity("depth", 0.0, 350.0), _NUMBER_OR_TEXT]
DepthBelowSurface = Annotated[float, _quantity("depth", 0.5, 350.0), _NUMBER_OR_TEXT]
Altitude = Annotated[float, _quantity("altitude", -430.0, 6000.0), _NUMBER_OR_TEXT]
Rate = Annotated[float, _quantity("rate", 0.5, 60.0), _NUMBER_OR_TEXT]
Pressure = Annotated[float, _quantity("pressure", 0.0, 450.0), _NUMBER_OR_TEXT]
Flow = Annotated[float, _quantity("gas flow", 0.1, 200.0), _NUMBER_OR_TEXT]
Volume = Annotated[float, _quantity("volume", 0.5, 30.0), _NUMBER_OR_TEXT]
Minutes = Annotated[float, _quantity("time", 0.0, 1440.0), _NUMBER_OR_TEXT]
Celsius = Annotated[float, _quantity("temperature", -2.0, 45.0), _NUMBER_OR_TEXT]
Setpoint = Annotated[float, Field(ge=0.2, le=1.6)]


def _whole(minutes: float) -> float:
    if minutes != round(minutes):
        raise ValueError(f"{minutes:g} min is not a whole minute; a slate carries whole minutes of run time")
    return minutes


def _gas(value: object) -> Mix:
    if isinstance(value, Mix):
        return value
    if isinstance(value, bool) or not isinstance(value, str | int):
        raise ValueError(
            f'{value!r} is not a gas; write "air", "oxygen", "32" or "18/45" (% oxygen / % helium)'
        )
    return Mix.parse(str(value))


def _water(value: object, info: ValidationInfo) -> str | float:
    if value in ("en13319", "sea", "fresh"):
        return str(value)
    try:
        density = parse(value, "density", _units(info))
    except ValueError:
        density = 0.0
    if not isinstance(density, float) or not 900.0 <= density <= 1300.0:
        raise ValueError(
            f'{value!r} is not a water; write "en13319", "sea", "fresh" or a density, 900 to 1300 kg/m³'
        )
    return density


WholeMinutes = Annotated[Minutes, AfterValidator(_whole)]
Gas = Annotated[Mix, BeforeValidator(_gas), WithJsonSchema({"type": ["string", "integer"]})]
Percent = Annotated[float, Field(ge=5.0, le=100.0)]


class _Table(BaseModel):
    model_config = ConfigDict(
        frozen=True, extra="forbid", validate_default=True, arbitrary_types_allowed=True
    )


class Site(_Table):
    """Where: the water, the altitude and the water's temperature."""

    water: Annotated[str | float, BeforeValidator(_water)] = Field(
        "en13319", description="en13319 (10 m = 1 bar), sea, fresh, or a density in kg/m³"
    )
    altitude: Altitude = Field(0.0, description="height above sea level")
    temperature: Celsius = Field(PerUnits("14 °C | 57 °F"), description="of the water")

    @cached_property
    def environment(self) -> Environment:
        """Pressure at the surface and below."""
        return Environment.at(self.altitude, self.water)


class Model(_Table):
    """The decompression model and its conservatism."""

    coefficients: SetName = Field("ZH-L16C", description="Bühlmann's coefficient set")
    gradient_factors: tuple[Percent, Percent] = Field((40.0, 80.0), description="GF low and GF high, percent")

    @model_validator(mode="after")
    def _in_order(self) -> Model:
        low, high = self.gradient_factors
        if low > high:
            raise ValueError(
                f"gradient_factors: GF low {low:g} is over GF high {high:g}; write the lower first, "
                f"[{high:g}, {low:g}]"
            )
        return self


class Rates(_Table):
    """How fast the diver goes down and up."""

    descent: Rate = Field(PerUnits("20 m/min | 60 ft/min"), description="down")
    ascent: Rate = Field(PerUnits("9 m/min | 30 ft/min"), description="up, as far as the first stop")
    between_stops: Rate | None = Field(
        None, description="from the first stop to the last; as ascent if not given"
    )
    to_surface: Rate | None = Field(
        None, description="from the last stop to the surface; as ascent if not given"
    )


class OxygenBreaks(_Table):
    """Breaks from oxygen at the stops of an open-circuit ascent."""

    on: WholeMinutes = Field(description="minutes on oxygen before a break")
    off: WholeMinutes = Field(description="minutes of a break")
    gas: Gas | None = Field(None, description="breathed in the break; the bottom gas if not given")

    @model_validator(mode="after")
    def _long_enough(self) -> OxygenBreaks:
        for name, minutes in (("on", self.on), ("off", self.off)):
            if minutes < 1.0:
                raise ValueError(f"{name}: {minutes:g} min is no time at all; give at least 1")
        return self


class Stops(_Table):
    """The stop grid and what holds the diver on it."""

    step: Depth = Field(PerUnits("3 m | 10 ft"), description="3 m or 10 ft")
    last: Depth = Field(PerUnits("3 m | 10 ft"), description="the shallowest stop, 3 to 6 m or 10 to 20 ft")
    gas_switch: Minutes = Field(0.0, description="least time at a gas switch")
    oxygen_breaks: OxygenBreaks | None = None

    @model_validator(mode="after")
    def _on_a_grid(self) -> Stops:
        if not any(abs(self.step - step) < 1e-6 for step in (3.0, 3.048)):
            raise ValueError(f"step: {self.step:g} m is not a stop grid; use 3 m or 10 ft")
        if not 3.0 - 1e-6 <= self.last <= 6.096 + 1e-6:
            raise ValueError(f"last: {self.last:g} m is outside 3 to 6 m (10 to 20 ft)")
        if self.gas_switch > 10.0:
            raise ValueError(f"gas_switch: {self.gas_switch:g} min is longer than a switch takes; at most 10")
        return self

    def depths_m(self, deepest_m: float) -> list[float]:
        """The surface and every stop depth down to a depth. A last stop off the grid replaces its neighbour. [m]"""
        depths = [0.0, self.last]
        multiple = 1
        while multiple * self.step <= deepest_m + 1e-6:
            if multiple * self.step > self.last + 0.5 * self.step + 1e-6:
                depths.append(multiple * self.step)
            multiple += 1
        return depths


class Level(_Table):
    """A depth, and the run time at which it is left."""

    depth: DepthBelowSurface
    leave_at: WholeMinutes = Field(description="run time in whole minutes, counted from leaving the surface")
    gas: Gas | None = Field(
        None, description="open circuit: the gas breathed there, if not the richest bottom gas"
    )


class Loop(_Table):
    """A closed-circuit rebreather."""

    diluent: Gas
    setpoint: Setpoint
    low_setpoint: Setpoint | None = Field(None, description="held at the start, and at the end from low_from")
    high_from: DepthBelowSurface | None = Field(
        None, description="depth on the way down where setpoint takes over"
    )
    low_from: Depth | None = Field(
        None, description="depth on the way up where low_setpoint takes over again"
    )
    deco_setpoint: Setpoint | None = Field(None, description="held on the way up from deco_from")
    deco_from: DepthBelowSurface | None = Field(
        None, description="depth on the way up where deco_setpoint takes over"
    )
    metabolic_oxygen: Annotated[float, _quantity("gas flow", 0.2, 5.0), _NUMBER_OR_TEXT] = Field(
        PerUnits("1.0 L/min | 0.035 cuft/min"), description="oxygen the diver uses"
    )
    volume: Volume = Field(
        PerUnits("7 L | 7 L"), description="of loop and lungs, filled with diluent on the descent"
    )
    scrubber: Minutes | None = Field(None, description="rated time of the scrubber")

    @model_validator(mode="after")
    def _belong_together(self) -> Loop:
        for setpoint, depth in (("low_setpoint", "high_from"), ("deco_setpoint", "deco_from")):
            if (getattr(self, setpoint) is None) != (getattr(self, depth) is None):
                raise ValueError(f"{setpoint} and {depth} go together: give both or neither")
        if self.low_from is not None and self.low_setpoint is None:
            raise ValueError("low_from needs a low_setpoint to change to")
        if self.low_from is not None and self.deco_from is not None and self.low_from >= self.deco_from:
            raise ValueError("low_from must be shallower than deco_from: the low setpoint ends the dive")
        return self


class Cylinder(_Table):
    """A cylinder as it goes into the water."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    gas: Gas
    size: Annotated[float | RatedCubicFeet, _quantity("cylinder size", 0.1, 300.0), _NUMBER_OR_TEXT] = Field(
        description="water litres, or rated cubic feet with working_pressure"
    )
    working_pressure: Pressure | None = Field(
        None, description="the pressure at which it holds its rated cubic feet"
    )
    pressure: Pressure
    use: Use
    reserve: Pressure | None = Field(
        None,
        description="not planned to be breathed; 50 bar / 700 psi if not given, 20 bar / 300 psi on or for a loop",
    )
    switch_depth: DepthBelowSurface | None = Field(
        None,
        description="travel: changed from on the way down; travel, deco, bailout: changed to on the way up",
    )

    @model_validator(mode="after")
    def _sensible(self) -> Cylinder:
        if isinstance(self.size, RatedCubicFeet):
            if not 1.0 <= self.size.cubic_feet <= 600.0:
                raise ValueError(f"size: {self.size.cubic_feet:g} cuft is outside 1 to 600 cuft")
            if self.working_pressure is None:
                raise ValueError("working_pressure is missing: rated cubic feet mean nothing without it")
            if self.working_pressure < 50.0:
                raise ValueError("working_pressure: too low for a cylinder; for example 3000 psi or 207 bar")
        if self.pressure <= 0.0:
            raise ValueError("pressure: the cylinder is empty; give the pressure it is filled to")
        if self.reserve is not None and self.reserve >= self.pressure:
            raise ValueError("reserve: leaves nothing to breathe; it must be below the cylinder's pressure")
        if self.switch_depth is not None and self.use in ("bottom", "diluent", "oxygen", "inflation"):
            raise ValueError(f'switch_depth has no meaning for use = "{self.use}"; leave it out')
        return self

    @cached_property
    def water_l(self) -> float:
        """Water volume. [L]"""
        if isinstance(self.size, RatedCubicFeet):
            assert self.working_pressure is not None
            return water_litres(self.size.cubic_feet, self.working_pressure)
        return self.size


class Diver(_Table):
    """How much the diver breathes."""

    rmv_bottom: Flow = Field(PerUnits("20 L/min | 0.7 cuft/min"), description="RMV until the first stop")
    rmv_deco: Flow = Field(PerUnits("16 L/min | 0.55 cuft/min"), description="RMV from the first stop on")
    rmv_stressed: Flow | None = Field(None, description="RMV in a bailout; 1.5 times rmv_bottom if not given")
    sorting_out: Minutes = Field(2.0, description="minutes at depth on open circuit before a bailout ascends")


class Limits(_Table):
    """The diver's own limits, where they differ from common ones."""

    ppo2_bottom: Annotated[float, Field(ge=0.5, le=1.6)] = 1.4
    ppo2_deco: Annotated[float, Field(ge=0.5, le=1.6)] = 1.6
    end: Depth = Field(PerUnits("30 m | 100 ft"), description="equivalent narcotic depth")
    oxygen_narcotic: bool = Field(True, description="whether END counts oxygen")
    gas_density: Annotated[float, Field(ge=3.0, le=12.0)] = Field(
        6.2, description="g/L; 6.2 is the published limit"
    )


class Dive(_Table):
    """A dive file, read. Every number in it is metric."""

    title: Annotated[str, Field(min_length=1, max_length=80)] = "Untitled dive"
    units: SystemName
    site: Site = Field({})
    model: Model = Field({})
    rates: Rates = Field({})
    stops: Stops = Field({})
    levels: Annotated[tuple[Level, ...], Field(min_length=1, max_length=50)]
    loop: Loop | None = None
    cylinders: Annotated[tuple[Cylinder, ...], Field(max_length=50)] = ()
    diver: Diver = Field({})
    limits: Limits = Field({})

    @property
    def deepest_m(self) -> float:
        """The depth of the deepest level. [m]"""
        return max(level.depth for level in self.levels)

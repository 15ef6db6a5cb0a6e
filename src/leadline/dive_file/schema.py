"""The dive file's schema.

Every quantity is read as a number in the file's units or as text with its own unit, and is metric from there
on. A default that a diver thinks of in round numbers has one for each system of units.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from datetime import date
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Annotated, Any, Literal, get_args

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PrivateAttr,
    StrictBool,
    ValidationInfo,
    WithJsonSchema,
    model_validator,
)

from leadline.dive_file.errors import AtKey, shown
from leadline.dive_file.failures import FAILURE, FAILURES
from leadline.physics.environment import Environment
from leadline.physics.mix import Mix
from leadline.physics.real_gas import water_litres
from leadline.tissue.coefficients import SetName
from leadline.tissue.loading import Residual
from leadline.units import SYSTEMS, Kind, RatedCubicFeet, SystemName, parse

Use = Literal["bottom", "travel", "deco", "bailout", "diluent", "oxygen", "inflation"]
OPEN_CIRCUIT_USES: tuple[Use, ...] = ("bottom", "travel", "deco", "bailout")
if TYPE_CHECKING:
    WhatIf = str
else:
    WhatIf = Literal[tuple(FAILURE)]
"""What can go wrong, in the trade's words."""
HELIUM = Mix(1e-9, 1.0 - 1e-9, "helium")
"""As a filling station has it. No gas to breathe is without oxygen; this has less of it than any check can see."""


class PerUnits(str):
    """A default that differs between metric and imperial files: "3 m | 10 ft"."""

    __slots__ = ()

    def text_for(self, units: SystemName) -> str:
        """The default of one system of units."""
        metric, imperial = self.split(" | ")
        return metric if units == "metric" else imperial


def _per_units(text: str) -> Any:
    return PerUnits(text)


def _written(value: object) -> Any:
    """A default as a dive file would write it."""
    return value


def _units(info: ValidationInfo) -> SystemName:
    units: SystemName = (info.context or {}).get("units", "metric")
    return units


def _quantity(kind: Kind, low: float, high: float) -> Any:
    """A validator for a quantity of a kind, within metric bounds."""

    def read(value: object, info: ValidationInfo) -> float | RatedCubicFeet:
        units = _units(info)
        try:
            number = parse(value.text_for(units) if isinstance(value, PerUnits) else value, kind, units)
        except ValueError as error:
            named = isinstance(value, int | float | str) and not isinstance(value, bool)
            raise ValueError(str(error) if named else f"{shown(value)} is refused: {error}") from None
        if isinstance(number, float) and not low - 1e-9 <= number <= high + 1e-9:
            said = "above the surface; it must be" if kind == "depth" and number < 0.0 else "outside"
            raise ValueError(f"{value} is {said} {_bounds(kind, low, high, units)}")
        return number

    return BeforeValidator(read)


def _bounds(kind: Kind, low: float, high: float, units: SystemName) -> str:
    system = SYSTEMS[units]
    if kind == "temperature" and units == "imperial":
        return f"{32.0 + 1.8 * low:.4g} to {32.0 + 1.8 * high:.4g} °F"
    factor, unit = {
        "depth": (system.depth_m, system.depth_unit),
        "altitude": (system.depth_m, system.depth_unit),
        "rate": (system.depth_m, f"{system.depth_unit}/min"),
        "pressure": (system.pressure_bar, system.pressure_unit),
        "gas flow": (system.flow_l, "L/min" if units == "metric" else "cuft/min"),
        "cylinder size": (1.0, "L of water"),
        "volume": (system.flow_l, "L" if units == "metric" else "cuft"),
        "time": (1.0, "min"),
        "temperature": (1.0, "°C"),
        "density": (1.0, "kg/m³"),
    }[kind]
    return f"{low / factor:.4g} to {high / factor:.4g} {unit}"


def _number(low: float, high: float, unit: str) -> Any:
    """A validator for a plain number, which has only one unit whatever the file's units are."""

    def read(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError(f"{shown(value)} is not a number; write one from {low:g} to {high:g} ({unit})")
        if not low <= value <= high:
            raise ValueError(f"{shown(value)} is outside {low:g} to {high:g} {unit}")
        return float(value)

    return BeforeValidator(read)


def _text(most: int) -> Any:
    """A validator for a line of text, which must do no harm on paper or in a terminal."""

    def read(value: object) -> str:
        if not isinstance(value, str):
            raise ValueError(f"{shown(value)} is not text; write it in quotes")
        text = value.strip()
        if not text.isprintable():
            raise ValueError(f"{shown(text)} has a character that does not print; use letters, digits and signs")
        if not text:
            raise ValueError("is blank; write a word or two")
        if len(text) > most:
            raise ValueError(f"{shown(text)} has {len(text)} characters; at most {most} fit")
        return text

    return BeforeValidator(read)


def _plain(low: float, high: float) -> WithJsonSchema:
    return WithJsonSchema({"type": "number", "minimum": low, "maximum": high})


def _line(most: int) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", "minLength": 1, "maxLength": most})


_NUMBER_OR_TEXT = WithJsonSchema({"type": ["number", "string"]})
_NUMBER_OR_TABLE = WithJsonSchema(
    {"type": ["integer", "object"], "minimum": 1, "additionalProperties": {"type": "integer", "minimum": 1}}
)
Depth = Annotated[float, _quantity("depth", 0.0, 350.0), _NUMBER_OR_TEXT]
DepthBelowSurface = Annotated[float, _quantity("depth", 0.5, 350.0), _NUMBER_OR_TEXT]
Altitude = Annotated[float, _quantity("altitude", -430.0, 6000.0), _NUMBER_OR_TEXT]
Rate = Annotated[float, _quantity("rate", 0.5, 60.0), _NUMBER_OR_TEXT]
Pressure = Annotated[float, _quantity("pressure", 0.0, 450.0), _NUMBER_OR_TEXT]
Flow = Annotated[float, _quantity("gas flow", 0.1, 200.0), _NUMBER_OR_TEXT]
Volume = Annotated[float, _quantity("volume", 0.5, 30.0), _NUMBER_OR_TEXT]
Minutes = Annotated[float, _quantity("time", 0.0, 1440.0), _NUMBER_OR_TEXT]
LongTime = Annotated[float, _quantity("time", 0.0, 365.0 * 1440.0), _NUMBER_OR_TEXT]
Celsius = Annotated[float, _quantity("temperature", -2.0, 45.0), _NUMBER_OR_TEXT]
NEVER = math.inf
"""The no-go of an exposure that is never one by itself."""


def _or_never(low: float, high: float, unit: str) -> tuple[Any, ...]:
    """A validator for a number, or "never"."""

    def read(value: object) -> float:
        if value == "never":
            return NEVER
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError(f'{shown(value)} is not a limit; write {low:g} to {high:g} ({unit}), or "never"')
        if not low <= value <= high:
            raise ValueError(f'{shown(value)} is outside {low:g} to {high:g} {unit}; or write "never"')
        return float(value)

    return BeforeValidator(read), _NUMBER_OR_TEXT


def _depth_or_never() -> tuple[Any, ...]:
    """A validator for a depth, or "never"."""
    depth = _quantity("depth", 0.0, 350.0).func

    def read(value: object, info: ValidationInfo) -> float:
        return NEVER if value == "never" else float(depth(value, info))

    return BeforeValidator(read), _NUMBER_OR_TEXT


OfLimit = Annotated[float, _number(5.0, 1000.0, "%"), _plain(5.0, 1000.0)]
Setpoint = Annotated[float, _number(0.2, 1.6, "bar"), _plain(0.2, 1.6)]
PpO2Limit = Annotated[float, _number(0.5, 1.6, "bar"), _plain(0.5, 1.6)]


def _whole(minutes: float) -> float:
    if minutes != round(minutes):
        raise ValueError(f"{minutes:g} min is not a whole minute; a slate carries whole minutes of run time")
    return minutes


def _pair(value: object) -> object:
    if isinstance(value, tuple | list) and len(value) == 2:
        return value
    count = f"a list of {len(value)}" if isinstance(value, list) else shown(value)
    raise ValueError(f"{count} is not two numbers; write GF low and GF high, such as [40, 80]")


def _gas(value: object) -> Mix:
    if isinstance(value, Mix):
        return value
    if isinstance(value, str):
        return Mix.parse(value)
    if isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 100:
        return Mix.parse(str(value))
    raise ValueError(f'{shown(value)} is not a gas; write "air", "oxygen", "32" or "18/45" (% oxygen / % helium)')


def _fill_gas(value: object) -> Mix:
    """A gas of a filling station, where pure helium is one."""
    if isinstance(value, str) and value.strip().lower() in ("helium", "he"):
        return HELIUM
    try:
        return _gas(value)
    except ValueError as error:
        said = str(error).replace("write ", 'write "helium", ', 1)
        raise ValueError(said) from None


def _logged(value: object) -> object:
    def is_number(number: object) -> bool:
        return isinstance(number, int) and not isinstance(number, bool) and number >= 1

    if is_number(value):
        return value
    if isinstance(value, dict) and value and all(map(is_number, value.values())):
        return tuple(value.items())
    said = "write the number of a dive in the log, or one for each diver of a team: { Ann = 12, Ben = 13 }"
    raise ValueError(f"{shown(value)} is not a dive of the log; {said}")


def _date(value: object) -> str:
    if isinstance(value, date):
        return value.isoformat()
    try:
        return date.fromisoformat(str(value).strip()).isoformat()
    except ValueError:
        raise ValueError(f'{shown(value)} is not a date; write year, month, day: "2026-05-31"') from None


def _water(value: object, info: ValidationInfo) -> str | float:
    if value in ("en13319", "sea", "fresh"):
        return str(value)
    try:
        density = parse(value, "density", _units(info))
    except ValueError:
        density = 0.0
    if not isinstance(density, float) or not 900.0 <= density <= 1300.0:
        raise ValueError(f'{shown(value)} is not a water; write "en13319", "sea", "fresh" or 900 to 1300 kg/m³')
    return density


def _depth(metres: float, info: ValidationInfo) -> str:
    system = SYSTEMS[_units(info)]
    return f"{system.at(metres)}"


def _pressure(bar: float, info: ValidationInfo) -> str:
    system = SYSTEMS[_units(info)]
    return f"{system.pressure(bar)} {system.pressure_unit}"


def _several(value: object) -> object:
    """One value, or a list of them."""
    return value if isinstance(value, list | tuple) else [value]


_ONE_OR_SEVERAL: Any = (
    BeforeValidator(_several),
    Field(max_length=8),
    WithJsonSchema({"type": ["number", "string", "array"], "items": {"type": ["number", "string"]}, "maxItems": 8}),
)


def _turn(value: object) -> str | float:
    if value in ("thirds", "halves", "all usable"):
        return str(value)
    if isinstance(value, int | float) and not isinstance(value, bool) and 0.05 <= value <= 1.0:
        return float(value)
    said = 'write "thirds", "halves", "all usable", or the fraction of the usable gas that is breathed on the way out'
    raise ValueError(f"{shown(value)} is not a turn rule; {said}, 0.05 to 1")


WholeMinutes = Annotated[Minutes, AfterValidator(_whole)]
Gas = Annotated[Mix, BeforeValidator(_gas), WithJsonSchema({"type": ["string", "integer"]})]
FillGas = Annotated[Mix, BeforeValidator(_fill_gas), WithJsonSchema({"type": ["string", "integer"]})]
BreakMinutes = Annotated[float, _quantity("time", 1.0, 120.0), AfterValidator(_whole), _NUMBER_OR_TEXT]
Percent = Annotated[float, _number(5.0, 100.0, "%"), _plain(5.0, 100.0)]
GradientFactors = Annotated[tuple[Percent, Percent], BeforeValidator(_pair)]


@dataclass(frozen=True)
class Kept:
    """What the log has of an earlier dive of one diver."""

    title: str
    altitude_m: float
    left: Residual
    """In the diver, at its end."""
    arrived: Residual | None = None
    """The same, had the diver come up from sea level just before the first dive of its row; None where that was not at
    altitude, or it is known how long the diver had been there."""


class _Table(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", validate_default=True, arbitrary_types_allowed=True)


_DEFAULTS: Any = {}
"""A table that is left out: validated like a written one, for the file's units decide its defaults."""


class Site(_Table):
    """Where: the water, the altitude, how long the divers have been up there, and the water's temperature."""

    water: Annotated[str | float, BeforeValidator(_water), _NUMBER_OR_TEXT] = Field(
        "en13319", description="en13319 (10 m = 1 bar), sea, fresh, or a density in kg/m³"
    )
    altitude: Altitude = Field(0.0, description="height above sea level")
    acclimatised: LongTime | None = Field(
        None, description="how long the divers have been at this altitude; if not given, for good"
    )
    from_altitude: Altitude | None = Field(None, description="where they lived until then; sea level if not given")
    temperature: Celsius = Field(_per_units("14 °C | 57 °F"), description="of the water")

    @property
    def came_from_m(self) -> float | None:
        """Where the divers lived before they came to the site; None if not given, for good. [m]"""
        return None if self.acclimatised is None else self.from_altitude or 0.0

    @model_validator(mode="after")
    def _since_when(self) -> Site:
        if self.from_altitude is not None and self.acclimatised is None:
            said = 'is missing; say how long ago the divers came up from there: "3 h", "2 days", or 0 for just now'
            raise AtKey("acclimatised", said)
        return self

    @cached_property
    def environment(self) -> Environment:
        """Pressure at the surface and below."""
        return Environment.at(self.altitude, self.water)


class Model(_Table):
    """The decompression model and its conservatism."""

    coefficients: SetName = Field("ZH-L16C", description="Bühlmann's coefficient set")
    gradient_factors: GradientFactors = Field((40.0, 80.0), description="GF low and GF high, percent")

    @model_validator(mode="after")
    def _in_order(self) -> Model:
        low, high = self.gradient_factors
        if low > high:
            said = f"GF low {low:g} is over GF high {high:g}; write the lower first, [{high:g}, {low:g}]"
            raise AtKey("gradient_factors", said)
        return self


class Rates(_Table):
    """How fast the diver goes down and up."""

    descent: Rate = Field(_per_units("20 m/min | 60 ft/min"), description="down")
    ascent: Rate = Field(_per_units("9 m/min | 30 ft/min"), description="up, as far as the first stop")
    between_stops: Rate | None = Field(None, description="from the first stop to the last; as ascent if not given")
    to_surface: Rate | None = Field(None, description="from the last stop to the surface; as ascent if not given")


class OxygenBreaks(_Table):
    """Breaks from oxygen at the stops of an open-circuit ascent."""

    on: BreakMinutes = Field(description="time on oxygen before a break, in whole minutes")
    off: BreakMinutes = Field(description="time of a break, in whole minutes")
    gas: Gas | None = Field(
        None, description="breathed in the break; if not given, the leanest no thinner than air at the last stop"
    )


@lru_cache(maxsize=512)
def _grid(step: float, last: float, multiples: int) -> tuple[float, ...]:
    """The surface, the last stop, and the multiples of a step that are not nearer to it than half a step. [m]"""
    return (0.0, last, *(i * step for i in range(1, multiples + 1) if i * step > last + 0.5 * step - 1e-6))


class Stops(_Table):
    """The stop grid and what holds the diver on it."""

    step: Depth = Field(_per_units("3 m | 10 ft"), description="3 m or 10 ft")
    last: Depth = Field(_per_units("3 m | 10 ft"), description="the shallowest stop, 3 to 6 m or 10 to 20 ft")
    gas_switch: Annotated[float, _quantity("time", 0.0, 10.0), _NUMBER_OR_TEXT] = Field(
        1.0, description="least time at a gas switch"
    )
    safety: Annotated[float, _quantity("time", 0.0, 30.0), AfterValidator(_whole), _NUMBER_OR_TEXT] = Field(
        0.0, description="least time at the last stop's depth on the way up, whether stops are needed or not"
    )
    oxygen_breaks: OxygenBreaks | None = Field(None, description="breaks from oxygen; none if not given")

    @model_validator(mode="after")
    def _on_a_grid(self, info: ValidationInfo) -> Stops:
        if not any(abs(self.step - step) < 1e-6 for step in (3.0, 3.048)):
            raise AtKey("step", f"{_depth(self.step, info)} is not a stop grid; use 3 m or 10 ft")
        if not 3.0 - 1e-6 <= self.last <= 6.096 + 1e-6:
            raise AtKey("last", f"{_depth(self.last, info)} is outside 3 to 6 m (10 to 20 ft)")
        return self

    def depths_m(self, deepest_m: float) -> list[float]:
        """The surface and every stop depth down to a depth. [m]

        A last stop off the grid replaces its neighbour.
        """
        return list(_grid(self.step, self.last, math.floor((deepest_m + 1e-6) / self.step)))


class Level(_Table):
    """A depth, and the run time at which it is left."""

    depth: DepthBelowSurface = Field(description="how deep")
    leave_at: WholeMinutes = Field(description="run time in whole minutes, counted from leaving the surface")
    gas: Gas | None = Field(None, description="open circuit: the gas breathed there, if not the richest bottom gas")


class Loop(_Table):
    """A closed-circuit rebreather."""

    diluent: Gas = Field(description="the gas that fills the loop")
    setpoint: Setpoint = Field(description="ppO2 held in the loop, bar")
    low_setpoint: Setpoint | None = Field(None, description="held at the start, and at the end from low_from")
    high_from: DepthBelowSurface | None = Field(None, description="depth on the way down where setpoint takes over")
    low_from: Depth | None = Field(None, description="depth on the way up where low_setpoint takes over again")
    deco_setpoint: Setpoint | None = Field(None, description="held on the way up from deco_from")
    deco_from: DepthBelowSurface | None = Field(None, description="depth on the way up where deco_setpoint takes over")
    metabolic_oxygen: Annotated[float, _quantity("gas flow", 0.2, 5.0), _NUMBER_OR_TEXT] = Field(
        _per_units("1.0 L/min | 0.035 cuft/min"), description="oxygen the diver uses"
    )
    diluent_second_stage: StrictBool = Field(
        False, description="whether the diluent cylinder can be breathed from on open circuit"
    )
    volume: Volume = Field(_per_units("7 L | 7 L"), description="of loop and lungs, filled with diluent on the descent")
    scrubber: Minutes | None = Field(None, description="rated time of the scrubber")
    flushes: Annotated[float, _number(0.0, 20.0, "flushes"), _plain(0.0, 20.0)] | None = Field(
        None, description="of the whole loop with diluent, at the depth of each level; not counted if not given"
    )
    semi_closed: Annotated[float, _number(1.0, 12.0, "breaths"), _plain(1.0, 12.0)] = Field(
        3.0, description="with the oxygen gone, one breath in so many is vented and made up with diluent"
    )

    _burnt_down: bool = PrivateAttr(False)

    @property
    def burnt_down(self) -> bool:
        """Whether the loop falls to its setpoint also where the diluent alone is richer."""
        return self._burnt_down

    def burnt_to_setpoint(self) -> Loop:
        """The same loop, left to itself: at a steady depth the diver uses up what oxygen the diluent brought over the
        setpoint."""
        loop = self.model_copy()
        loop._burnt_down = True
        return loop

    @model_validator(mode="after")
    def _belong_together(self) -> Loop:
        for pair in (("low_setpoint", "high_from"), ("deco_setpoint", "deco_from")):
            missing = [key for key in pair if getattr(self, key) is None]
            if len(missing) == 1:
                raise AtKey(missing[0], f"is missing; {pair[0]} and {pair[1]} go together: give both or neither")
        if self.low_from is not None and self.low_setpoint is None:
            raise AtKey("low_from", "needs a low_setpoint to change to")
        if self.low_from is not None and self.deco_from is not None and self.low_from >= self.deco_from:
            raise AtKey("low_from", "must be shallower than deco_from: the low setpoint ends the dive")
        return self


@dataclass(frozen=True)
class SwitchDepths:
    """Where a gas is changed from on the way down, and to on the way up; None: by its limits. [m]"""

    down: float | None = None
    up: float | None = None


def _switch_depth(value: object, info: ValidationInfo) -> object:
    """A depth, or one for each way."""
    if not isinstance(value, dict):
        return value if isinstance(value, SwitchDepths) else _quantity("depth", 0.5, 350.0).func(value, info)
    for key in value:
        if key not in ("down", "up"):
            raise AtKey(str(key), "is not a key here; write down, up or both, such as { down = 30, up = 36 }")
    if not value:
        raise ValueError("is an empty table; write a depth, or { down = …, up = … }")
    return SwitchDepths(**{key: _within("depth", value[key], (0.5, 350.0), info, key) for key in value})


_DEPTH_OR_DEPTHS = WithJsonSchema(
    {
        "type": ["number", "string", "object"],
        "properties": {key: {"type": ["number", "string"]} for key in ("down", "up")},
        "additionalProperties": False,
        "minProperties": 1,
    }
)


def _rated(cylinder: Cylinder | SolveCylinder, info: ValidationInfo) -> None:
    """Refuse a size without what it is rated at, and an empty cylinder."""
    if isinstance(cylinder.size, RatedCubicFeet):
        if not 1.0 <= cylinder.size.cubic_feet <= 600.0:
            raise AtKey("size", f"{cylinder.size.cubic_feet:g} cuft is outside 1 to 600 cuft")
        if cylinder.working_pressure is None:
            said = "is missing; cubic feet are rated at one (or give the size in litres of water)"
            raise AtKey("working_pressure", said)
        if cylinder.working_pressure < 50.0:
            said = f"{_pressure(cylinder.working_pressure, info)} is too low for a cylinder"
            raise AtKey("working_pressure", f"{said}; write for example 3000 psi or 207 bar")
    if cylinder.pressure <= 0.0:
        raise AtKey("pressure", "0 is an empty cylinder; give the pressure it is filled to")


def _water_l(cylinder: Cylinder | SolveCylinder) -> float:
    if isinstance(cylinder.size, RatedCubicFeet):
        assert cylinder.working_pressure is not None
        return water_litres(cylinder.size.cubic_feet, cylinder.working_pressure)
    return cylinder.size


class Cylinder(_Table):
    """A cylinder as it goes into the water."""

    name: Annotated[str, _text(40), _line(40)] = Field(description="as it is marked; no two alike")
    gas: Gas = Field(description="what it is filled with")
    size: Annotated[float | RatedCubicFeet, _quantity("cylinder size", 0.1, 300.0), _NUMBER_OR_TEXT] = Field(
        description="water litres, or rated cubic feet with working_pressure"
    )
    working_pressure: Pressure | None = Field(None, description="the pressure at which it holds its rated cubic feet")
    pressure: Pressure = Field(description="what it is filled to")
    use: Use = Field(description="what it is for")
    reserve: Pressure | None = Field(
        None,
        description="not planned to be breathed; if not given 50 bar / 700 psi, with a loop 20 bar / 300 psi",
    )
    switch_depth: Annotated[float | SwitchDepths, BeforeValidator(_switch_depth), _DEPTH_OR_DEPTHS] | None = Field(
        None,
        description="travel: changed from on the way down; travel, deco, bailout: changed to on the way up; "
        "one depth, or one for each way: down 30, up 36",
    )
    manifold: StrictBool = Field(False, description="bottom: twins joined by a manifold, which are not lost at once")

    @model_validator(mode="after")
    def _sensible(self, info: ValidationInfo) -> Cylinder:
        _rated(self, info)
        if self.reserve is not None and self.reserve >= self.pressure:
            reserve, pressure = _pressure(self.reserve, info), _pressure(self.pressure, info)
            raise AtKey("reserve", f"{reserve} leaves nothing to breathe; it must be below the pressure, {pressure}")
        if self.switch_depth is not None and self.use in ("bottom", "diluent", "oxygen", "inflation"):
            raise AtKey("switch_depth", f'has no meaning for use = "{self.use}"; leave it out')
        if isinstance(self.switch_depth, SwitchDepths) and self.switch_depth.down is not None and self.use != "travel":
            raise AtKey("switch_depth", f'down has no meaning for use = "{self.use}", only for "travel"; leave it out')
        if self.manifold and self.use != "bottom":
            raise AtKey("manifold", f'has no meaning for use = "{self.use}"; leave it out')
        return self

    @property
    def switch_down(self) -> float | None:
        """The diver's own depth at which it is changed from on the way down. [m]"""
        return self.switch_depth.down if isinstance(self.switch_depth, SwitchDepths) else self.switch_depth

    @property
    def switch_up(self) -> float | None:
        """The diver's own depth at which it is changed to on the way up. [m]"""
        return self.switch_depth.up if isinstance(self.switch_depth, SwitchDepths) else self.switch_depth

    @cached_property
    def water_l(self) -> float:
        """Water volume. [L]"""
        return _water_l(self)


class Diver(_Table):
    """How much the diver breathes."""

    rmv_bottom: Flow = Field(_per_units("20 L/min | 0.7 cuft/min"), description="RMV until the first stop")
    rmv_deco: Flow = Field(_per_units("16 L/min | 0.55 cuft/min"), description="RMV from the first stop on")
    rmv_stressed: Flow | None = Field(
        None, description="RMV at the beginning of a bailout; 1.5 times rmv_bottom if not given"
    )
    stressed_for: Minutes = Field(
        10.0, description="least minutes of rmv_stressed; it lasts until a richer gas is changed to on the way up"
    )
    rmv_bailout: Flow | None = Field(None, description="RMV after rmv_stressed; as rmv_bottom if not given")
    sorting_out: Minutes = Field(2.0, description="minutes at depth on open circuit before a bailout ascends")


class GasRules(_Table):
    """How the gas is planned."""

    turn: Annotated[str | float, BeforeValidator(_turn), _NUMBER_OR_TEXT] = Field(
        "all usable", description="thirds of the fill, halves or all of the usable gas, or a fraction of it"
    )
    fill_temperature: Annotated[float, _quantity("temperature", -20.0, 60.0), _NUMBER_OR_TEXT] | None = Field(
        None, description="at which the cylinder pressures were read; the water's if not given"
    )
    drysuit: Annotated[float, _quantity("volume", 0.0, 30.0), _NUMBER_OR_TEXT] | None = Field(
        None, description="volume that is kept filled on the way down; not counted if not given"
    )
    wing: Annotated[float, _quantity("volume", 0.0, 40.0), _NUMBER_OR_TEXT] | None = Field(
        None, description="as drysuit"
    )
    team_bailout: StrictBool = Field(False, description="whether bailout cylinders are shared in the team")


class Contingencies(_Table):
    """What can go wrong and is planned for."""

    deeper: Annotated[tuple[Depth, ...], *_ONE_OR_SEVERAL] = Field(
        _per_units("3 m | 10 ft"), description="how much deeper than the deepest level; a depth or a list of them"
    )
    longer: Annotated[tuple[WholeMinutes, ...], *_ONE_OR_SEVERAL] = Field(
        (5.0,), description="how much longer at the deepest level; minutes or a list of them"
    )
    delay: Annotated[tuple[WholeMinutes, ...], *_ONE_OR_SEVERAL] = Field(
        (3.0,), description="held at the end of the bottom, and at the first stop; minutes or a list of them"
    )
    heavy_breathing: Minutes = Field(5.0, description="minutes of twice the RMV, from the bottom or off the loop")
    low_setpoint: Setpoint = Field(0.7, description="at which the loop sticks, if the loop has no low_setpoint, bar")
    two_failures: Literal["no-go", "caution"] = Field(
        "caution", description="what it means that two failures at once do not hold"
    )
    leave_out: tuple[WhatIf, ...] = Field((), description="contingencies not planned for")
    slate: tuple[WhatIf, ...] = Field(
        tuple(failure.name for failure in FAILURES if failure.on_the_slate), description="contingencies on the slate"
    )


class Limits(_Table):
    """The diver's own limits: for each one value that is a caution and one that is a no-go."""

    ppo2_bottom: PpO2Limit = Field(
        1.4, description="at the levels and on the way down: gases are chosen by it, and over it is a caution; bar"
    )
    ppo2_bottom_no_go: PpO2Limit | None = Field(None, description="over it is a no-go; ppo2_bottom if not given, bar")
    ppo2_deco: PpO2Limit = Field(
        1.6,
        description="on the way up, and anywhere when things go wrong: gases change by it; over it is a caution, bar",
    )
    ppo2_deco_no_go: PpO2Limit | None = Field(None, description="over it is a no-go; ppo2_deco if not given, bar")
    cns_caution: OfLimit = Field(80.0, description="CNS, % of NOAA's single exposure")
    cns_no_go: Annotated[float, *_or_never(5.0, 1000.0, "%")] = Field(100.0, description="in the plan; or never")
    otu_caution: Annotated[float, _number(5.0, 5000.0, "OTU"), _plain(5.0, 5000.0)] = Field(
        300.0, description="OTU in 24 hours"
    )
    otu_no_go: Annotated[float, *_or_never(5.0, 5000.0, "OTU")] = Field(
        _written("never"), description="in the plan; or never"
    )
    density_caution: Annotated[float, _number(3.0, 12.0, "g/L"), _plain(3.0, 12.0)] = Field(
        5.2, description="of the gas breathed, g/L; over 6.2, the published limit, it is the gravest caution"
    )
    density_no_go: Annotated[float, *_or_never(3.0, 12.0, "g/L")] = Field(
        _written("never"), description="in the plan; or never"
    )
    end_caution: Depth = Field(_per_units("30 m | 100 ft"), description="equivalent narcotic depth")
    end_no_go: Annotated[float, *_depth_or_never()] = Field(_written("never"), description="in the plan; or never")
    oxygen_narcotic: StrictBool = Field(True, description="whether END counts oxygen")
    scrubber_caution: OfLimit = Field(80.0, description="time on the loop, % of the scrubber's rating")
    scrubber_no_go: Annotated[float, *_or_never(5.0, 1000.0, "%")] = Field(100.0, description="in the plan; or never")
    tts: Minutes | None = Field(None, description="longest time to surface; no limit if not given")
    run_time: Minutes | None = Field(None, description="longest run time; no limit if not given")

    @model_validator(mode="after")
    def _in_order(self, info: ValidationInfo) -> Limits:
        for key in ("ppo2_bottom", "ppo2_deco"):
            no_go, limit = getattr(self, f"{key}_no_go"), getattr(self, key)
            if no_go is not None and no_go < limit:
                raise AtKey(f"{key}_no_go", f"{no_go:g} is below {key}, {limit:g}; it must be at least that")
        for name in ("cns", "otu", "density", "end", "scrubber"):
            caution, no_go = getattr(self, f"{name}_caution"), getattr(self, f"{name}_no_go")
            if caution > no_go + 1e-9:
                low, high = (_depth(m, info) if name == "end" else f"{m:g}" for m in (no_go, caution))
                said = f'{low} is below {name}_caution, {high}; a no-go comes after its caution, or write "never"'
                raise AtKey(f"{name}_no_go", said)
        return self


class Previous(_Table):
    """A dive before this one, on the same day or the days before: planned in a dive file, or kept in the log."""

    file: Annotated[str, _text(200), _line(200)] | None = Field(None, description="its dive file, beside this one")
    log: Annotated[int | tuple[tuple[str, int], ...], BeforeValidator(_logged), _NUMBER_OR_TABLE] | None = Field(
        None, description="its number in the log; in a team of several, one for each diver: { Ann = 12, Ben = 13 }"
    )
    surface_interval: Annotated[float, _quantity("time", 0.0, 20160.0), _NUMBER_OR_TEXT] = Field(
        description="from its end to the next dive"
    )
    oxygen: Minutes = Field(0.0, description="first minutes of the surface interval that are breathed on oxygen")
    _dive: Dive | None = PrivateAttr(None)
    _kept: dict[str, Kept] = PrivateAttr({})
    _diver: str = PrivateAttr("")

    @model_validator(mode="after")
    def _sensible(self) -> Previous:
        if (self.file is None) == (self.log is None):
            said = "is missing; name the dive file, or its number in the log" if self.file is None else (
                "and log are both given; leave one of them out"
            )  # fmt: skip
            raise AtKey("file", said)
        if self.oxygen > self.surface_interval + 1e-9:
            said = f"{self.oxygen:g} min are longer than the surface interval, {self.surface_interval:g} min"
            raise AtKey("oxygen", said)
        return self

    @property
    def name(self) -> str:
        """Its dive file, or "dive 12 of the log"."""
        if self.file is not None:
            return self.file
        return f"dive {self._number} of the log"

    @property
    def _number(self) -> int:
        numbers = self.log or ()
        return numbers if isinstance(numbers, int) else dict(numbers)[self._diver]

    @property
    def dive(self) -> Dive:
        """The dive of its file, which the reader has read."""
        assert self._dive is not None, "a previous dive is read with its file"
        return self._dive

    @property
    def left(self) -> Residual | None:
        """What it has left in the diver at its end, if it was dived and is in the log; None: it is planned, see
        `dive`."""
        return self._of_diver.left if self._kept else None

    @property
    def arrived(self) -> Residual | None:
        """As `Kept.arrived`; None of a planned dive."""
        return self._of_diver.arrived if self._kept else None

    @property
    def title(self) -> str:
        """What it is called."""
        return self._of_diver.title if self._kept else self.dive.title

    @property
    def altitude_m(self) -> float:
        """Of its site."""
        return self._of_diver.altitude_m if self._kept else self.dive.site.altitude

    @property
    def _of_diver(self) -> Kept:
        """A file without a team is of every diver, and so is the dive of the log that it names."""
        return self._kept[self._diver if self._diver in self._kept else ""]

    @property
    def diver(self) -> str:
        """Which diver of its team dived it; empty without a team."""
        return self._diver

    def read_as(self, dive: Dive) -> Previous:
        """This, with the dive of its file."""
        found = self.model_copy()
        found._dive = dive
        return found

    def found_as(self, kept: dict[str, Kept]) -> Previous:
        """This, with what the log has of it for every diver, by name; "" without a team."""
        found = self.model_copy()
        found._kept, found._diver = kept, next(iter(kept))
        return found

    def dived_by(self, diver: str) -> Previous:
        """This, as one diver of a team dived it."""
        found = self.model_copy()
        found._diver = diver
        return found


class After(_Table):
    """After the dive."""

    altitude: Altitude | None = Field(
        None, description="a pass, a home or a cabin that is gone up to afterwards; flying is looked at in any case"
    )


class TeamDiver(_Table):
    """One diver of a team. What is left out is as in the rest of the file."""

    name: Annotated[str, _text(30), _line(30)] = Field(description="heads this diver's sheets; no two alike")
    gradient_factors: GradientFactors | None = Field(None, description="GF low and GF high, percent")
    rmv_bottom: Flow | None = Field(None, description="RMV until the first stop")
    rmv_deco: Flow | None = Field(None, description="RMV from the first stop on")
    rmv_stressed: Flow | None = Field(None, description="RMV at the beginning of a bailout")
    stressed_for: Minutes | None = Field(None, description="least minutes of rmv_stressed")
    rmv_bailout: Flow | None = Field(None, description="RMV after rmv_stressed")
    circuit: Literal["open", "closed"] | None = Field(None, description="open: without the file's loop")
    loop: Loop | None = Field(None, description="this diver's own rebreather")
    cylinders: Annotated[tuple[Cylinder, ...], Field(max_length=50)] | None = Field(
        None, description="all that this diver carries"
    )

    @model_validator(mode="after")
    def _in_order(self) -> TeamDiver:
        if self.gradient_factors is not None and self.gradient_factors[0] > self.gradient_factors[1]:
            low, high = self.gradient_factors
            said = f"GF low {low:g} is over GF high {high:g}; write the lower first, [{high:g}, {low:g}]"
            raise AtKey("gradient_factors", said)
        if self.circuit == "open" and self.loop is not None:
            raise AtKey("circuit", "is open, and a loop is given; leave one of them out")
        return self


class SolveCylinder(_Table):
    """A cylinder that could be carried."""

    size: Annotated[float | RatedCubicFeet, _quantity("cylinder size", 0.1, 300.0), _NUMBER_OR_TEXT] = Field(
        description="water litres, or rated cubic feet with working_pressure"
    )
    working_pressure: Pressure | None = Field(None, description="the pressure at which it holds its rated cubic feet")
    pressure: Pressure = Field(description="what it would be filled to")

    @model_validator(mode="after")
    def _sensible(self, info: ValidationInfo) -> SolveCylinder:
        _rated(self, info)
        return self

    @cached_property
    def water_l(self) -> float:
        """Water volume. [L]"""
        return _water_l(self)


class Solve(_Table):
    """What `leadline solve` may choose from."""

    gases: Annotated[tuple[Gas, ...], Field(max_length=20)] = Field((), description="bottom gases or diluents at hand")
    deco_gases: Annotated[tuple[Gas, ...], Field(max_length=12)] = Field(
        (), description="deco or bailout gases at hand"
    )
    cylinders: Annotated[tuple[SolveCylinder, ...], Field(max_length=20)] = Field((), description="cylinders at hand")


class FillSource(_Table):
    """A gas at hand for filling: a compressor, a supply, or a cylinder of a bank."""

    gas: FillGas = Field(description='what it is: "helium", or any gas')
    name: Annotated[str, _text(30), _line(30)] | None = Field(None, description="as it is marked")
    pressure: Pressure | None = Field(
        None, description="it cannot fill beyond it; if not given a compressor or booster, which can"
    )
    size: Annotated[float | RatedCubicFeet, _quantity("cylinder size", 0.1, 2000.0), _NUMBER_OR_TEXT] | None = Field(
        None, description="of a bank's cylinder; if not given it never runs low"
    )
    working_pressure: Pressure | None = Field(None, description="the pressure at which it holds its rated cubic feet")
    price: Annotated[float, _number(0.0, 100000.0, "of your money"), _plain(0.0, 100000.0)] | None = Field(
        None, description="of a cubic metre, in imperial files of a cubic foot"
    )

    @model_validator(mode="after")
    def _sensible(self, info: ValidationInfo) -> FillSource:
        if self.size is not None and self.pressure is None:
            raise AtKey("pressure", "is missing; a bank's cylinder with a size needs the pressure it is at")
        if isinstance(self.size, RatedCubicFeet):
            if not 1.0 <= self.size.cubic_feet <= 5000.0:
                raise AtKey("size", f"{self.size.cubic_feet:g} cuft is outside 1 to 5000 cuft")
            if self.working_pressure is None:
                said = "is missing; cubic feet are rated at one (or give the size in litres of water)"
                raise AtKey("working_pressure", said)
            if self.working_pressure < 50.0:
                said = f"{_pressure(self.working_pressure, info)} is too low for a cylinder"
                raise AtKey("working_pressure", f"{said}; write for example 2400 psi or 165 bar")
        return self

    @cached_property
    def water_l(self) -> float | None:
        """Water volume of a bank's cylinder; None if it never runs low. [L]"""
        if isinstance(self.size, RatedCubicFeet):
            assert self.working_pressure is not None
            return water_litres(self.size.cubic_feet, self.working_pressure)
        return self.size


class FillStart(_Table):
    """A cylinder before it is filled."""

    cylinder: Annotated[str, _text(40), _line(40)] = Field(description="which, by its name")
    diver: Annotated[str, _text(30), _line(30)] | None = Field(
        None, description="whose, in a team; everyone's if not given"
    )
    gas: Gas | None = Field(None, description="what is in it now; air, if the pressure is 0")
    pressure: Pressure = Field(0.0, description="what it is at now")
    oxygen_clean: StrictBool | None = Field(None, description="whether cylinder and valve are clean for oxygen")

    @model_validator(mode="after")
    def _sensible(self) -> FillStart:
        if self.gas is None and self.pressure > 0.0:
            raise AtKey("gas", "is missing; say what is in it now, as it was analysed")
        return self


class FillAnalysis(_Table):
    """What a cylinder was analysed to hold."""

    cylinder: Annotated[str, _text(40), _line(40)] = Field(description="which, by its name")
    diver: Annotated[str, _text(30), _line(30)] | None = Field(None, description="whose, in a team")
    o2: Annotated[float, _number(1.0, 100.0, "%"), _plain(1.0, 100.0)] = Field(description="oxygen read, percent")
    he: Annotated[float, _number(0.0, 99.0, "%"), _plain(0.0, 99.0)] | None = Field(
        None, description="helium read, percent; may be left out where none is meant to be in it"
    )
    pressure: Pressure | None = Field(None, description="read at the temperature of [fills]; as planned if not given")
    by: Annotated[str, _text(30), _line(30)] | None = Field(None, description="who analysed it")
    date: Annotated[str, BeforeValidator(_date), _line(10)] | None = Field(None, description='when: "2026-05-31"')

    @model_validator(mode="after")
    def _whole(self) -> FillAnalysis:
        if self.o2 + (self.he or 0.0) > 100.0 + 1e-9:
            said = f"{self.he:g} % and {self.o2:g} % of oxygen are more than the whole; calibrate and analyse again"
            raise AtKey("he", said)
        if self.pressure is not None and self.pressure < 1.0:
            raise AtKey("pressure", "is that of an empty cylinder; fill it, then analyse it")
        return self


class Fills(_Table):
    """How the cylinders are filled, for `leadline mix`."""

    order: Literal["helium first", "oxygen first"] = Field("helium first", description="which gas goes in first")
    temperature: Annotated[float, _quantity("temperature", -20.0, 60.0), _NUMBER_OR_TEXT] | None = Field(
        None, description="at which settled pressures are read; as [gas] fill_temperature, or the water's, if not given"
    )
    filling_temperature: Annotated[float, _quantity("temperature", -20.0, 60.0), _NUMBER_OR_TEXT] | None = Field(
        None,
        description="of the gas in the cylinder at the end of a step, before it cools; as temperature if not given",
    )
    gauge_step: Annotated[float, _quantity("pressure", 0.05, 20.0), _NUMBER_OR_TEXT] = Field(
        _per_units("1 bar | 10 psi"), description="the finest step that is read on the gauge"
    )
    overshoot: Annotated[float, _quantity("pressure", 0.05, 50.0), _NUMBER_OR_TEXT] = Field(
        _per_units("5 bar | 50 psi"), description="a step that is missed by so much is shown with the mix one gets"
    )
    drain: StrictBool = Field(True, description="whether a cylinder may be drained where what is in it is in the way")
    sources: Annotated[tuple[FillSource, ...], Field(max_length=40)] = Field((), description="the gases at hand")
    cylinders: Annotated[tuple[FillStart, ...], Field(max_length=100)] = Field(
        (), description="what is in the cylinders now; one that is not here is empty, with air at 0 on the gauge"
    )
    analysed: Annotated[tuple[FillAnalysis, ...], Field(max_length=100)] = Field((), description="what was analysed")


class Compare(_Table):
    """A column of `leadline compare`: other settings, or the bubble model. What is left out is as in [model]."""

    coefficients: SetName | None = Field(None, description="Bühlmann's coefficient set")
    gradient_factors: GradientFactors | None = Field(None, description="GF low and GF high, percent")
    bubbles: Annotated[float, _number(50.0, 200.0, "%"), _plain(50.0, 200.0)] | None = Field(
        None, description="the bubble model, with nuclei so large, percent of the published; larger is more careful"
    )

    @model_validator(mode="after")
    def _one_model(self) -> Compare:
        if self.bubbles is not None and (self.coefficients is not None or self.gradient_factors is not None):
            raise AtKey("bubbles", "has no coefficients or gradient factors; put those in a [[compare]] of their own")
        if self.gradient_factors is not None and self.gradient_factors[0] > self.gradient_factors[1]:
            low, high = self.gradient_factors
            said = f"GF low {low:g} is over GF high {high:g}; write the lower first, [{high:g}, {low:g}]"
            raise AtKey("gradient_factors", said)
        return self


def _axis_key(value: object) -> object:
    keys = _several(value)
    if not isinstance(keys, list | tuple) or not keys or not all(isinstance(key, str) and key.strip() for key in keys):
        raise ValueError(f'{shown(value)} is not a key of the dive file; write it in quotes: "levels.1.depth"')
    return tuple(key.strip() for key in keys)


def _axis_end(value: object) -> object:
    if isinstance(value, bool) or not isinstance(value, int | float | str):
        raise ValueError(f'{shown(value)} is not a number, or text with its unit such as "30 m"')
    return value


def _axis_values(value: object) -> object:
    """A list, with pairs in it as tuples."""
    return tuple(tuple(one) if isinstance(one, list) else one for one in value) if isinstance(value, list) else value


AxisEnd = Annotated[int | float | str, BeforeValidator(_axis_end), _NUMBER_OR_TEXT]


class SweepAxis(_Table):
    """A part of the dive file that a sweep varies. What its values are is read with the key they are for."""

    key: Annotated[
        tuple[str, ...],
        BeforeValidator(_axis_key),
        Field(max_length=20),
        WithJsonSchema({"type": ["string", "array"], "items": {"type": "string"}, "maxItems": 20}),
    ] = Field(description='where it stands: "levels.1.depth"; or several keys that are given the same value')
    values: (
        Annotated[
            tuple[Any, ...],
            BeforeValidator(_axis_values),
            WithJsonSchema(
                {"type": "array", "items": {"type": ["number", "string", "array"]}, "minItems": 1},
            ),
        ]
        | None
    ) = Field(None, description="its values, each as it would be written at the key")
    from_: AxisEnd | None = Field(None, alias="from", description="the first of evenly spaced values")
    to: AxisEnd | None = Field(None, description="the last of them, if a step falls on it")
    step: AxisEnd | None = Field(None, description="from one to the next; below 0 to count down")

    @model_validator(mode="after")
    def _one_way(self) -> SweepAxis:
        spaced = {"from": self.from_, "to": self.to, "step": self.step}
        given = [key for key, value in spaced.items() if value is not None]
        missing = [key for key, value in spaced.items() if value is None]
        if self.values is not None and given:
            raise AtKey(given[0], "and values are both given; give values, or from, to and step")
        if self.values == ():
            raise AtKey("values", "is empty; give at least one value")
        if self.values is None and missing:
            said = "is missing; give values, or from, to and step" if not given else "is missing beside " + given[0]
            raise AtKey("values" if not given else missing[0], said)
        return self


class Sweep(_Table):
    """Many dives, for `leadline sweep`."""

    contingencies: StrictBool = Field(False, description="whether each is planned with all its contingencies")
    together: StrictBool = Field(
        False, description="whether the axes are walked side by side, as a list of dives, instead of as a grid"
    )
    axes: Annotated[tuple[SweepAxis, ...], Field(max_length=20)] = Field((), description="what is varied")


DistributionName = Literal["normal", "lognormal", "uniform", "triangular", "as planned"]


@dataclass(frozen=True)
class Drawn:
    """What an input of an ensemble is drawn from. Metric; what its distribution does not use is None."""

    distribution: DistributionName
    spread: float | None = None
    """Of a normal distribution its standard deviation; of a lognormal one a factor, the exponential of its sigma."""
    low: float | None = None
    mode: float | None = None
    high: float | None = None


_ASKS: dict[str, tuple[str, ...]] = {
    "normal": ("spread",),
    "lognormal": ("spread",),
    "uniform": ("low", "high"),
    "triangular": ("low", "mode", "high"),
}
"""The keys that a distribution needs."""


def _drawn(kind: Kind | str, low: float, high: float, widest: float, lognormal: bool = False) -> Any:
    """A validator for what an input is drawn from: values of a kind, or plain numbers in a unit, within metric bounds;
    a standard deviation up to `widest`."""
    known = [name for name in _ASKS if lognormal or name != "lognormal"]
    listed = ", ".join(f'"{name}"' for name in known)

    def read(value: object, info: ValidationInfo) -> Drawn | None:
        if value is None or isinstance(value, Drawn):
            return value
        if value == "as planned":
            return Drawn("as planned")
        if not isinstance(value, dict):
            said = 'write "as planned", or a table such as { distribution = "normal", spread = … }'
            raise ValueError(f"{shown(value)} is no distribution; {said}")
        name = value.get("distribution")
        if name is None:
            raise AtKey("distribution", f"is missing; write one of {listed}")
        if name not in known:
            raise AtKey("distribution", f"{shown(name)} is not a distribution of this; write one of {listed}")
        for key in value:
            if key != "distribution" and key not in _ASKS[name]:
                raise AtKey(key, f"is not a key of a {name} distribution; it takes {' and '.join(_ASKS[name])}")
        found = {key: _part(key, value, name, info) for key in _ASKS[name]}
        if name == "uniform" or name == "triangular":
            _ordered(found, value)
        return Drawn(name, **found)

    def _part(key: str, value: dict[str, Any], name: str, info: ValidationInfo) -> float:
        if key not in value:
            raise AtKey(key, f"is missing; a {name} distribution needs it")
        bounds = (low, high) if key != "spread" else (1.0, 3.0) if name == "lognormal" else (0.0, widest)
        number = _within(kind if name != "lognormal" else "as a factor", value[key], bounds, info, key)
        if key == "spread" and number <= bounds[0]:
            said = "a spread of none" if name == "lognormal" else "no spread at all"
            raise AtKey(key, f'{shown(value[key])} is {said}; give more, or write "as planned" in place of the table')
        return number

    return BeforeValidator(read)


def _within(kind: Kind | str, value: object, bounds: tuple[float, float], info: ValidationInfo, key: str) -> float:
    low, high = bounds
    plain = kind not in ("depth", "time", "rate", "gas flow")
    try:
        if plain:
            return float(_number(low, high, kind).func(value))
        number = parse(value, kind, _units(info))  # type: ignore[arg-type]
    except ValueError as error:
        raise AtKey(key, str(error)) from None
    assert isinstance(number, float)
    if not low - 1e-9 <= number <= high + 1e-9:
        raise AtKey(key, f"{shown(value)} is outside {_bounds(kind, low, high, _units(info))}")  # type: ignore[arg-type]
    return number


def _ordered(found: dict[str, float], written: dict[str, Any]) -> None:
    low, high, mode = found["low"], found["high"], found.get("mode")
    if low == high:
        said = 'is low too, which is no spread at all; give more, or write "as planned" in place of the table'
        raise AtKey("high", f"{shown(written['high'])} {said}")
    if low > high:
        said = f"{shown(written['high'])} is under low, {shown(written['low'])}; write the lower as low"
        raise AtKey("high", said)
    if mode is not None and not low <= mode <= high:
        said = f"{shown(written['mode'])} is outside low to high; it is what comes up most, and must be between them"
        raise AtKey("mode", said)


def _whole_number(low: int, high: int) -> Any:
    """A validator for a whole number."""

    def read(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int):
            raise ValueError(f"{shown(value)} is not a whole number; write one from {low} to {high}")
        if not low <= value <= high:
            raise ValueError(f"{shown(value)} is outside {low} to {high}")
        return value

    return BeforeValidator(read)


def _whole_plain(low: int, high: int) -> WithJsonSchema:
    return WithJsonSchema({"type": "integer", "minimum": low, "maximum": high})


_DISTRIBUTION: dict[str, Any] = {
    "type": ["string", "object"],
    "properties": {
        "distribution": {"enum": list(_ASKS)},
        **{key: {"type": ["number", "string"]} for key in ("spread", "low", "mode", "high")},
    },
    "additionalProperties": False,
}
_DRAWN = WithJsonSchema(_DISTRIBUTION)
RmvDrawn = Annotated[Drawn, _drawn("gas flow", 0.1, 200.0, 60.0, lognormal=True), _DRAWN]


class Ensemble(_Table):
    """How much the dive may differ from its plan, for `leadline ensemble`.

    An input that is left out is drawn as is common; "as planned" keeps it as it is.
    """

    dives: Annotated[int, _whole_number(100, 1_000_000), _whole_plain(100, 1_000_000)] = Field(
        10_000, description="how many dives are drawn"
    )
    seed: Annotated[int, _whole_number(0, 2**53), _whole_plain(0, 2**53)] = Field(
        1, description="the same seed draws the same dives"
    )
    depth: Annotated[Drawn, _drawn("depth", -60.0, 60.0, 30.0), _DRAWN] | None = Field(
        None, description="off the planned depth of every level; below 0 is shallower"
    )
    time: Annotated[Drawn, _drawn("time", -240.0, 240.0, 120.0), _DRAWN] | None = Field(
        None, description="off the planned bottom time"
    )
    ascent: Annotated[Drawn, _drawn("rate", 0.5, 60.0, 20.0, lognormal=True), _DRAWN] | None = Field(
        None, description="the ascent rate to the first stop; the other rates of the way up in proportion"
    )
    rmv: Annotated[Drawn, _drawn("as a factor", 0.1, 5.0, 1.0, lognormal=True), _DRAWN] | None = Field(
        None, description="a factor on both RMVs"
    )
    rmv_bottom: RmvDrawn | None = Field(None, description="RMV until the first stop, in place of rmv")
    rmv_deco: RmvDrawn | None = Field(None, description="RMV from the first stop on, in place of rmv")
    setpoint: Annotated[Drawn, _drawn("bar", 0.2, 1.6, 0.5), _DRAWN] | None = Field(
        None, description="what the loop really holds at its setpoint"
    )
    switch: Annotated[Drawn, _drawn("time", 0.0, 10.0, 10.0), _DRAWN] | None = Field(
        None, description="minutes spent at every gas switch"
    )

    @model_validator(mode="after")
    def _one_rmv(self) -> Ensemble:
        if self.rmv is not None and self.rmv_bottom is not None and self.rmv_deco is not None:
            said = "has nothing left to act on, with rmv_bottom and rmv_deco given; leave it out, or one of them"
            raise AtKey("rmv", said)
        return self


TablePart = Literal["slates", "times", "stops", "gas", "bailout", "oxygen", "ndl", "repetitive"]
"""What `leadline tables` prints."""


def _some(value: object) -> object:
    found = _several(value)
    if not found:
        raise ValueError("is empty; write one or more, or leave it out")
    return found


def _spread(kind: Kind, most: int) -> Any:
    """A list of quantities, or a table of from, to and step that stands for one."""

    def read(value: object, info: ValidationInfo) -> object:
        if value is None:
            return None
        if not isinstance(value, dict):
            return _some(value)
        for key in value:
            if key not in ("from", "to", "step"):
                raise AtKey(str(key), "is not a key here; evenly spaced values have from, to and step")
        ends = {key: _end(key, value, info) for key in ("from", "to", "step")}
        if ends["step"] <= 0.0:
            raise AtKey("step", f"{shown(value['step'])} leads nowhere; it must be above 0")
        if ends["to"] < ends["from"]:
            raise AtKey("to", f"{shown(value['to'])} is before from, {shown(value['from'])}; write the lower as from")
        steps = (ends["to"] - ends["from"]) / ends["step"] + 1e-6
        if not steps < most:
            many = f"{math.floor(steps) + 1} values" if steps < 1e15 else "so many values"
            raise ValueError(f"{many} are too many to print; at most {most}: take a larger step")
        unit = "m" if kind == "depth" else "min"
        return [f"{ends['from'] + i * ends['step']:.9g} {unit}" for i in range(math.floor(steps) + 1)]

    def _end(key: str, value: dict[str, object], info: ValidationInfo) -> float:
        if key not in value:
            raise AtKey(key, "is missing; evenly spaced values have from, to and step")
        try:
            number = parse(value[key], kind, _units(info))
        except ValueError as error:
            raise AtKey(key, str(error)) from None
        assert isinstance(number, float)
        return number

    return BeforeValidator(read)


def _ascending(values: tuple[float, ...]) -> tuple[float, ...]:
    return tuple(sorted({round(value, 6) for value in values}))


_LIST_OR_STEPS = WithJsonSchema(
    {
        "type": ["number", "string", "array", "object"],
        "items": {"type": ["number", "string"]},
        "properties": {key: {"type": ["number", "string"]} for key in ("from", "to", "step")},
        "additionalProperties": False,
    }
)
BottomTime = Annotated[float, _quantity("time", 1.0, 1440.0), AfterValidator(_whole), _NUMBER_OR_TEXT]
SurfaceInterval = Annotated[float, _quantity("time", 0.0, 2880.0), _NUMBER_OR_TEXT]
MOST_TABLE_DEPTHS, MOST_TABLE_TIMES = 16, 12
"""Rows and columns of a page."""
TableDepths = Annotated[
    tuple[DepthBelowSurface, ...],
    _spread("depth", MOST_TABLE_DEPTHS),
    Field(max_length=MOST_TABLE_DEPTHS),
    AfterValidator(_ascending),
    _LIST_OR_STEPS,
]


class Tables(_Table):
    """The table set of `leadline tables`: the dive at other depths and bottom times."""

    depths: TableDepths | None = Field(
        None, description="of the deepest level; the dive's own and two steps of the grid around it if not given"
    )
    times: (
        Annotated[
            tuple[BottomTime, ...],
            _spread("time", MOST_TABLE_TIMES),
            Field(max_length=MOST_TABLE_TIMES),
            AfterValidator(_ascending),
            _LIST_OR_STEPS,
        ]
        | None
    ) = Field(None, description="bottom times; the dive's own and 5 and 10 min around it if not given")
    parts: Annotated[tuple[TablePart, ...], BeforeValidator(_some), Field(max_length=8)] = Field(
        get_args(TablePart), description="what is printed"
    )
    ndl_depths: TableDepths | None = Field(
        None, description="of the no-stop limits (default 9 to 42 m by 3 m, in imperial files 30 to 140 ft)"
    )
    ndl_gases: Annotated[tuple[Gas, ...], BeforeValidator(_several), Field(max_length=6)] = Field(
        _written(("air", "32", "36")), description="of the no-stop limits, beside what is carried"
    )
    surface_intervals: Annotated[
        tuple[SurfaceInterval, ...],
        _spread("time", 10),
        Field(max_length=10),
        AfterValidator(_ascending),
        _LIST_OR_STEPS,
    ] = Field((60.0, 90.0, 120.0, 180.0, 240.0, 360.0, 720.0), description="of the repetitive tables")
    second_depths: (
        Annotated[
            tuple[DepthBelowSurface, ...],
            _spread("depth", 6),
            Field(max_length=6),
            AfterValidator(_ascending),
            _LIST_OR_STEPS,
        ]
        | None
    ) = Field(
        None, description="of the dive after it (default 12, 18, 24 and 30 m, in imperial files 40, 60, 80 and 100 ft)"
    )
    second_gas: Gas = Field(_written("air"), description="breathed on the dive after it")


class Dive(_Table):
    """A dive file, read. Every number in it is metric."""

    title: Annotated[str, _text(80), _line(80)] = Field("Untitled dive", description="heads every sheet")
    units: SystemName = Field(description="of every bare number here, and of every sheet")
    site: Site = Field(_DEFAULTS, description="where")
    model: Model = Field(_DEFAULTS, description="the decompression model")
    rates: Rates = Field(_DEFAULTS, description="how fast, up and down")
    stops: Stops = Field(_DEFAULTS, description="the stop grid")
    levels: Annotated[tuple[Level, ...], Field(min_length=1, max_length=50)] = Field(
        description="the depths, in the order dived"
    )
    loop: Loop | None = Field(None, description="a rebreather; open circuit if not given")
    cylinders: Annotated[tuple[Cylinder, ...], Field(max_length=50)] = Field((), description="all that is carried")
    diver: Diver = Field(_DEFAULTS, description="how much the diver breathes")
    limits: Limits = Field(_DEFAULTS, description="the diver's own limits")
    gas: GasRules = Field(_DEFAULTS, description="how the gas is planned")
    contingencies: Contingencies = Field(_DEFAULTS, description="what can go wrong and is planned for")
    team: Annotated[tuple[TeamDiver, ...], Field(max_length=12)] = Field((), description="the divers, if several")
    previous: Annotated[tuple[Previous, ...], Field(max_length=20)] = Field(
        (), description="earlier dives, in the order dived"
    )
    after: After = Field(_DEFAULTS, description="where the divers go after the dive")
    solve: Solve = Field(_DEFAULTS, description="what `leadline solve` may choose from")
    fills: Fills = Field(_DEFAULTS, description="how the cylinders are filled, for `leadline mix`")
    compare: Annotated[tuple[Compare, ...], Field(max_length=2)] = Field(
        (), description="the columns of `leadline compare`; with none the file's own model and the bubble model"
    )
    ensemble: Ensemble = Field(_DEFAULTS, description="how much the dive may differ, for `leadline ensemble`")
    sweep: Sweep = Field(_DEFAULTS, description="many dives, for `leadline sweep`")
    tables: Tables = Field(_DEFAULTS, description="depths by bottom times, for `leadline tables`")

    @property
    def deepest_m(self) -> float:
        """The depth of the deepest level. [m]"""
        return max(level.depth for level in self.levels)


def json_schema() -> dict[str, Any]:
    """The dive file's JSON Schema, for editors that complete and check as one types."""
    schema = Dive.model_json_schema()
    for table in [schema, *schema["$defs"].values()]:
        for key in table["properties"].values():
            key.pop("title", None)
            for branch in key.pop("anyOf", ()):  # TOML has no null: a key that may be None may be left out.
                key.update(branch if branch != {"type": "null"} else {})
            if key.get("default", "") is None:
                del key["default"]
            default = key.get("default")
            if isinstance(default, str) and " | " in default:
                metric, imperial = key.pop("default").split(" | ")
                key["description"] += f" (default {metric}, in imperial files {imperial})"
    heading = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "Leadline dive file"}
    return heading | {name: part for name, part in schema.items() if name != "title"}


if __name__ == "__main__":
    print(json.dumps(json_schema(), indent=2, ensure_ascii=False))

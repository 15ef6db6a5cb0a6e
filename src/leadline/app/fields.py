"""The fields of the page, made from the dive file's schema: no key of a dive file is out of reach of the page."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from types import UnionType
from typing import Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel, BeforeValidator
from pydantic.fields import FieldInfo

from leadline.app.draft import Key, shown
from leadline.dive_file.errors import key_path
from leadline.dive_file.schema import Dive, Ensemble, PerUnits, SweepAxis
from leadline.units import SystemName

_WRITTEN = {"rmv": "RMV", "ppo2": "ppO2", "tts": "TTS", "end": "END", "cns": "CNS", "otu": "OTU"}
"""Words of keys as the trade writes them."""
_UNITS: dict[str, tuple[str, str]] = {
    **dict.fromkeys(
        (
            "depth", "altitude", "from_altitude", "high_from", "low_from", "deco_from", "switch_depth", "end_caution",
            "end_no_go", "step", "last", "deeper", "depths", "ndl_depths", "second_depths",
        ),
        ("m", "ft"),
    ),
    **dict.fromkeys(("descent", "ascent", "between_stops", "to_surface"), ("m/min", "ft/min")),
    **dict.fromkeys(("pressure", "working_pressure", "reserve", "gauge_step", "overshoot"), ("bar", "psi")),
    **dict.fromkeys(
        ("rmv_bottom", "rmv_deco", "rmv_stressed", "rmv_bailout", "metabolic_oxygen"), ("L/min", "cuft/min")
    ),
    **dict.fromkeys(("size", "volume", "drysuit", "wing"), ("L", "cuft")),
    **dict.fromkeys(("temperature", "fill_temperature", "filling_temperature"), ("°C", "°F")),
    **dict.fromkeys(
        (
            "leave_at", "scrubber", "tts", "run_time", "longer", "delay", "heavy_breathing", "sorting_out",
            "gas_switch", "safety", "stressed_for", "on", "off", "surface_interval", "oxygen", "acclimatised", "times",
            "surface_intervals",
        ),
        ("min", "min"),
    ),
    **dict.fromkeys(
        (
            "setpoint", "low_setpoint", "deco_setpoint", "ppo2_bottom", "ppo2_bottom_no_go", "ppo2_deco",
            "ppo2_deco_no_go",
        ),
        ("bar", "bar"),
    ),
    "gradient_factors": ("%", "%"),
    **dict.fromkeys(("density_caution", "density_no_go"), ("g/L", "g/L")),
    **dict.fromkeys(("cns_caution", "cns_no_go", "scrubber_caution", "scrubber_no_go"), ("%", "%")),
    **dict.fromkeys(("otu_caution", "otu_no_go"), ("OTU", "OTU")),
}  # fmt: skip
"""The unit of a bare number, in a metric and in an imperial file."""


_MIXED = (Ensemble, SweepAxis)
"""Tables whose keys take what is not of one unit: a spread, the values of any key."""


@dataclass(frozen=True)
class Field:
    """One key of a table, as it is asked for."""

    name: str
    label: str
    help: str
    default: str
    """What holds if nothing is written, in the file's units; empty if there is none."""
    choices: tuple[str, ...]
    """The words to choose from; empty for anything typed."""
    required: bool
    many: bool
    """Whether it is always a list, whatever is typed."""


@lru_cache(maxsize=256)
def form_fields(model: type[BaseModel], units: SystemName) -> tuple[Field, ...]:
    """The keys of a table that hold a value or a list of them; tables within it are not among them."""
    return tuple(
        Field(
            name=info.alias or name,
            label=_label(info.alias or name, units, model not in _MIXED),
            help=info.description or "",
            default=_default(info, units),
            choices=_choices(info.annotation),
            required=info.is_required(),
            many=_many(info),
        )
        for name, info in model.model_fields.items()
        if table_in(info.annotation) is None
    )


def table(*names: str) -> type[BaseModel]:
    """The model of a table of the dive file: table("stops", "oxygen_breaks"). KeyError if there is none."""
    model: type[BaseModel] = Dive
    for name in names:
        found = table_in(model.model_fields[name].annotation)
        if found is None:
            raise KeyError(name)
        model = found
    return model


def tables_in(model: type[BaseModel]) -> tuple[str, ...]:
    """The keys of a table that hold a table, or a list of tables."""
    return tuple(name for name, info in model.model_fields.items() if table_in(info.annotation) is not None)


def is_list(model: type[BaseModel], name: str) -> bool:
    """Whether a key holds a list of tables."""
    return get_origin(model.model_fields[name].annotation) is tuple


def table_in(annotation: Any) -> type[BaseModel] | None:
    """The table, or the table of a list of tables, that a key holds; None if it holds a value."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := table_in(part)) is not None), None)


def problem_key(key: Key) -> str:
    """A key as problems name it."""
    return key_path(*key)


def is_of(problem: str, key: Key) -> bool:
    """Whether the key that a problem names is this one, or a part of its list or table."""
    own = problem_key(key)
    return problem == own or problem.startswith(f"{own}, ")


def _label(name: str, units: SystemName, of_one_unit: bool) -> str:
    words = " ".join(_WRITTEN.get(word, word) for word in name.split("_")).replace("no go", "no-go")
    unit = _UNITS.get(name) if of_one_unit else None
    if unit is not None and words.startswith(unit[0]):
        return words
    return words if unit is None else f"{words}, {unit[units == 'imperial']}"


def _default(info: FieldInfo, units: SystemName) -> str:
    default = info.default
    if info.is_required() or default is None or isinstance(default, dict):
        return ""
    if isinstance(default, PerUnits):
        return default.text_for(units)
    return shown(list(default) if isinstance(default, tuple) else default)


def _many(info: FieldInfo) -> bool:
    """A list that takes no single value in its place."""
    takes_one = any(isinstance(validator, BeforeValidator) for validator in info.metadata)
    return get_origin(info.annotation) is tuple and get_args(info.annotation)[-1] is Ellipsis and not takes_one


def _choices(annotation: Any) -> tuple[str, ...]:
    """The words of a choice of one; a list of words is typed."""
    if annotation is bool:
        return ("true", "false")
    if get_origin(annotation) is Literal:
        return tuple(str(word) for word in get_args(annotation))
    if get_origin(annotation) in (Union, UnionType):
        parts = [part for part in get_args(annotation) if part is not type(None)]
        return _choices(parts[0]) if len(parts) == 1 else ()
    return ()

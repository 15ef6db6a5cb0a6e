"""From the readings of a file to a profile and what was breathed: the same for every format."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime

from leadline.logbook.dived import DEEPEST_END_M, MOST_SAMPLES, Column, Dived, GasBreathed, Profile, problems
from leadline.physics.mix import WATER_VAPOUR_BAR

LATEST_START_S = 60.0
"""A record that begins later has lost its descent."""
RICHEST_BAR = 1.66
"""Oxygen at 6 m is breathed on a loop; nothing richer is flushed into one."""
OPEN_CIRCUIT_BAR, OUTLIERS = 0.2, 0.25
"""A cell on open circuit reads what the gas gives, within so much; a quarter of its readings may be off."""
ABOVE_WATER_M = -1.0
"""A sensor at the surface can read a little above it; down to this that is 0 m."""

_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff]")


class Broken(ValueError):
    """Why one dive of a file cannot be taken, in words that follow "dive 17 "."""


@dataclass(frozen=True)
class Sample:
    """Readings of one moment. `pressure_bar` is by the cylinder's index."""

    time_s: float
    depth_m: float
    ppo2_bar: float | None = None
    temperature_c: float | None = None
    pressure_bar: dict[int, float] = field(default_factory=dict)


@dataclass(frozen=True)
class RecordedChange:
    """What is breathed from a moment on."""

    time_s: float
    cylinder: int
    setpoint_bar: float | None


def checked(dived: Dived) -> Dived:
    """A dive that can be true, or Broken with the first reason why not."""
    if wrong := problems(dived):
        raise Broken(wrong[0])
    if unsaid := _loop_unsaid(dived) or _no_diluent(dived):
        raise Broken(unsaid)
    return dived


def _no_diluent(dived: Dived) -> str:
    """In words, that a gas is breathed on the loop that is too rich for a diluent there: a bailout that is not said."""
    for change in dived.breathed:
        mix, depth_m = dived.cylinders[change.cylinder].mix, _depth(dived.profile, change.run_time_min)
        inside_bar = mix.o2 * (dived.environment.pressure(depth_m) - WATER_VAPOUR_BAR)
        if change.setpoint_bar is not None and inside_bar > max(RICHEST_BAR, change.setpoint_bar + OPEN_CIRCUIT_BAR):
            at = f"{change.run_time_min:g} min, {depth_m:.3g} m"
            said = f"changes to {mix.name} on the loop at {at}, which would make it {inside_bar:.2f} bar"
            return f"{said}: if that is bailing out, it must say that the loop is left"
    return ""


def _depth(profile: Profile, at_min: float) -> float:
    """The depth at a run time, straight between two samples. [m]"""
    times, depths = profile.run_time_min, profile.depth_m
    i = min(max(bisect_right(times, at_min), 1), len(times) - 1)
    share = min(1.0, max(0.0, (at_min - times[i - 1]) / (times[i] - times[i - 1])))
    return depths[i - 1] + share * (depths[i] - depths[i - 1])


def _loop_unsaid(dived: Dived) -> str:
    """In words, that a dive without a setpoint has readings of ppO2 that open circuit does not give; else empty."""
    profile, breathed = dived.profile, dived.breathed
    if not profile.ppo2_bar or any(change.setpoint_bar is not None for change in breathed):
        return ""
    readings = other = 0
    said = ""
    for at_min, depth_m, read_bar in zip(profile.run_time_min, profile.depth_m, profile.ppo2_bar, strict=True):
        if read_bar is None:
            continue
        mix = dived.cylinders[[one for one in breathed if one.run_time_min <= at_min][-1].cylinder].mix
        open_bar = mix.o2 * dived.environment.pressure(depth_m)
        readings += 1
        if abs(read_bar - open_bar) > OPEN_CIRCUIT_BAR:
            other += 1
            said = said or f"{read_bar:.2f} bar at {depth_m:g} m, where {mix.name} has {open_bar:.2f}"
    if other <= OUTLIERS * readings:
        return ""
    return f"reads a ppO2 that open circuit does not give ({said}): on a loop its setpoint must be given"


def profile_of(samples: Sequence[Sample], cylinders: int) -> Profile:
    """The profile of samples in order. Of two at one moment the later counts, with what only the earlier has.

    A record that begins within a minute of the surface is given its first sample, 0 m at run time 0. Broken where time
    goes back, or where the way down or up is missing.
    """
    if not samples:
        raise Broken("has no samples; a dive is its times and depths")
    if len(samples) > 2 * MOST_SAMPLES:
        raise Broken(f"has {len(samples)} samples; at most {MOST_SAMPLES}")
    kept: list[Sample] = []
    for sample in samples:
        if kept and sample.time_s < kept[-1].time_s:
            said = f"goes back in time at sample {len(kept) + 1}"
            raise Broken(f"{said} ({sample.time_s:g} s after {kept[-1].time_s:g} s)")
        if kept and sample.time_s == kept[-1].time_s:
            kept[-1] = _merged(kept[-1], sample)
        else:
            kept.append(sample)
    first, last = kept[0], kept[-1]
    if not 0.0 <= first.time_s <= LATEST_START_S:
        raise Broken(f"begins at {first.time_s:g} s; the first sample is within {LATEST_START_S:g} s of the surface")
    if first.time_s > 0.0:
        kept.insert(0, Sample(0.0, 0.0))
    elif first.depth_m > DEEPEST_END_M:
        raise Broken(f"is at {first.depth_m:g} m at its first sample: the way down is missing")
    if last.depth_m > DEEPEST_END_M:
        raise Broken(f"is at {last.depth_m:g} m at its last sample: the way up is missing")
    by_cylinder = [column(sample.pressure_bar.get(i) for sample in kept) for i in range(cylinders)]
    return Profile(
        run_time_min=tuple(sample.time_s / 60.0 for sample in kept),
        depth_m=tuple(0.0 if ABOVE_WATER_M <= sample.depth_m < 0.0 else sample.depth_m for sample in kept),
        ppo2_bar=column(sample.ppo2_bar for sample in kept),
        temperature_c=column(sample.temperature_c for sample in kept),
        pressure_bar=tuple(by_cylinder) if any(by_cylinder) else (),
    )


def column(readings: Iterable[float | None]) -> Column:
    """A column, empty if nothing was read."""
    found = tuple(readings)
    return found if any(reading is not None for reading in found) else ()


def _merged(one: Sample, later: Sample) -> Sample:
    return Sample(
        later.time_s,
        later.depth_m,
        one.ppo2_bar if later.ppo2_bar is None else later.ppo2_bar,
        one.temperature_c if later.temperature_c is None else later.temperature_c,
        one.pressure_bar | later.pressure_bar,
    )


def breathed_of(changes: Iterable[RecordedChange], end_s: float) -> tuple[GasBreathed, ...]:
    """What was breathed: changes in order, without those that change nothing or come after the end.

    The first counts from leaving the surface if it is within a minute of it.
    """
    found: list[GasBreathed] = []
    for change in changes:
        if change.time_s > end_s:
            break
        at = change.time_s / 60.0 if found or change.time_s > LATEST_START_S else 0.0
        if found and found[-1].run_time_min == at:
            found.pop()
        if not found or (found[-1].cylinder, found[-1].setpoint_bar) != (change.cylinder, change.setpoint_bar):
            found.append(GasBreathed(at, change.cylinder, change.setpoint_bar))
    if not found or found[0].run_time_min > 0.0:
        raise Broken("does not say what was breathed from the start")
    return tuple(found)


def told(changes: Sequence[GasBreathed], end_min: float) -> tuple[GasBreathed, ...]:
    """What a file tells of what was breathed: the last of several changes at one time, none after the end, none to what
    is breathed already."""
    moments = (RecordedChange(round(60.0 * one.run_time_min, 3), one.cylinder, one.setpoint_bar) for one in changes)
    return breathed_of(moments, round(60.0 * end_min, 3))


def began_of(text: str) -> datetime:
    """A date and time of day, "2026-05-31T10:20:00" or "2026-05-31 10:20"; ValueError if not.

    A zone is left off: the clock of the place counts.
    """
    if len(text) <= 10:
        raise ValueError("no time of day")
    return datetime.fromisoformat(text).replace(tzinfo=None)


def plain(text: str) -> str:
    """One line without blanks at its ends or two in a row, and without signs that no file can hold."""
    return " ".join(printable(text).split())


def lines_of(text: str) -> list[str]:
    """Lines of notes, without blanks at their ends."""
    return [line.strip() for line in printable(text).replace("\r\n", "\n").replace("\r", "\n").split("\n")]


def printable(text: str) -> str:
    """Text without control signs and halves of signs, which XML 1.0 cannot hold; tab and line ends stay."""
    return _UNPRINTABLE.sub("", text)


def seconds(minutes: float) -> str:
    """A run time as files keep it: seconds, to a thousandth."""
    return decimal(60.0 * minutes, 3)


def decimal(number: float, decimals: int) -> str:
    """A number without an exponent, and without zeros that say nothing."""
    text = f"{number:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if decimals else text
    return "0" if text == "-0" else text

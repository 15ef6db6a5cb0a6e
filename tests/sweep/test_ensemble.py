"""Ensembles against what is known of them: the plan itself, chances worked out by hand, other numbers of threads."""

from __future__ import annotations

from pathlib import Path

import numba
import numpy as np
import pytest

from leadline.dive_file import DiveFileError, parse_dive, read_dive
from leadline.dive_file.schema import Drawn
from leadline.ensemble import draws, drivers
from leadline.ensemble import robustness as made
from leadline.ensemble import words as ensemble_words
from leadline.ensemble.robustness import EnsembleResult, run_ensemble
from leadline.plan import plan_dive
from leadline.plan.team import plan_team
from leadline.units import SYSTEMS
from tests.dives import cylinder, looped, tables

EXAMPLES = Path(__file__).parents[2] / "examples"
FIXED = dict.fromkeys(("depth", "time", "ascent", "rmv", "switch"), "as planned")


def normal(spread):
    return {"distribution": "normal", "spread": spread}


def uniform(low, high):
    return {"distribution": "uniform", "low": low, "high": high}


def of(given, **drawn) -> EnsembleResult:
    """The ensemble of a dive of one diver, with nothing drawn but what is given."""
    dives = drawn.pop("dives", 4000)
    fixed = {name: how for name, how in FIXED.items() if name not in drawn}
    [found] = run_ensemble(parse_dive(given | {"ensemble": {"dives": dives} | fixed | drawn}))
    return found


@pytest.fixture(autouse=True)
def a_small_sample(monkeypatch):
    """Twenty whole plans are enough here, and where indices are not looked at few points."""
    monkeypatch.setattr(made, "WHAT_IFS", 20)
    monkeypatch.setattr(drivers, "POINTS", 64)


TRIMIX = tables(
    50, 25, "18/45", ("50",), stops={"gas_switch": 1},
    cylinders=[
        cylinder("18/45", "bottom") | {"size": "24 L", "pressure": "230 bar"},
        cylinder("50", "deco"),
    ],
)  # fmt: skip
LOOP = looped(45, 25, "21/35", setpoint=1.3) | {
    "cylinders": [
        cylinder("21/35", "diluent") | {"size": "3 L"},
        cylinder("oxygen", "oxygen") | {"size": "3 L"},
        cylinder("21/35", "bailout"),
        cylinder("50", "bailout"),
    ]
}


# --- The plan, when nothing differs -----------------------------------------------------------------------------------


@pytest.mark.parametrize("given", [TRIMIX, LOOP], ids=["open", "loop"])
def test_spreads_towards_nothing_give_the_plan(given):
    """Every number of the plan, at every quantile, on each way up; all is covered by the plan's own slate."""
    tiny = {"depth": normal(1e-9), "time": normal(1e-9), "ascent": normal(1e-9), "rmv": normal(1e-9)}
    if "loop" in given:
        tiny["setpoint"] = normal(1e-9)
    found = of(given, dives=200, **tiny)
    planned = plan_dive(parse_dive(given))
    for ascents in (found.recomputed, found.by_slate, found.by_slates):
        assert ascents.refused.count == 0
        for quantile in range(5):
            assert ascents.tts_min.quantiles[quantile].value == pytest.approx(planned.schedule.tts_min, abs=1e-5)
            run_time = ascents.run_time_min.quantiles[quantile].value
            assert run_time == pytest.approx(planned.schedule.run_time_min, abs=1e-5)
            surface = planned.schedule.track.points[-1]["gf_surface"]
            assert ascents.gf_surface.quantiles[quantile].value == pytest.approx(surface, abs=1e-5)
            assert ascents.cns_percent.quantiles[quantile].value == pytest.approx(planned.oxygen.cns_percent, abs=0.01)
            left = {use.name: use.left_bar for use in planned.supply if use.used_l > 0.0}
            assert {c.name for c in ascents.cylinders} == set(left)
            for one in ascents.cylinders:
                assert one.left_bar.quantiles[quantile].value == pytest.approx(left[one.name], abs=1e-3)
        assert ascents.all_last.share == (1.0 if all(use.short_l <= 0.0 for use in planned.supply) else 0.0)
    assert found.slates[0].taken.count == 200
    met = {c.kind: True for c in planned.contingencies}
    for c in planned.contingencies:
        met[c.kind] &= c.holds
    assert {one.kind: one.not_met.count for one in found.what_ifs} == {k: 0 if ok else 20 for k, ok in met.items()}


# --- Chances by hand --------------------------------------------------------------------------------------------------


def test_the_chance_that_the_gas_lasts_by_hand():
    """Only the RMV differs, by an even factor of 0.5 to 1.5. The plan breathes L litres of what is usable, U; what is
    breathed goes with the factor, and all lasts up to a factor of U / L."""
    planned = plan_dive(parse_dive(TRIMIX))
    [bottom, deco] = planned.supply
    right = [min(1.0, use.usable_l / use.used_l - 0.5) for use in (bottom, deco)]
    empty = [min(1.0, use.content_l / use.used_l - 0.5) for use in (bottom, deco)]
    assert 0.1 < right[0] < 0.95  # a chance that could be missed
    found = of(TRIMIX, rmv=uniform(0.5, 1.5), dives=20_000)
    for ascents in (found.recomputed, found.by_slate):
        for one, lasts, to_empty in zip(ascents.cylinders, right, empty, strict=True):
            assert one.lasts.share == pytest.approx(lasts, abs=0.012)
            assert one.to_empty.share == pytest.approx(to_empty, abs=0.012)
        assert ascents.all_last.share == pytest.approx(min(right), abs=0.012)
        assert ascents.cylinders[0].lasts.low <= right[0] <= ascents.cylinders[0].lasts.high
        assert ascents.tts_min.least == ascents.tts_min.most == planned.schedule.tts_min
        # 5 % of all breathe by a factor of 1.45 or more: litres, and not bar, go with it.
        used_l = 1.45 * bottom.used_l
        whole = bottom.content_l - used_l
        if whole > 0.0:
            bar = ascents.cylinders[0].left_bar.at(0.05).value
            assert bar == pytest.approx(plan_dive(parse_dive(_breathing(TRIMIX, 1.45))).supply[0].left_bar, abs=2.0)


def _breathing(given, factor):
    return given | {"diver": {"rmv_bottom": 20 * factor, "rmv_deco": 16 * factor}}


def test_the_slates_by_hand():
    """Depth evenly 2 m shallower to 6 deeper, time evenly 1 min less to 9 more. No deeper than the plan are 2 of 8,
    than the 3 m slate 5; no longer 1 of 10, than the 5 min slate 6. Half a metre or minute more is the next slate."""
    found = of(TRIMIX, depth=uniform(-2, 6), time=uniform(-1, 9), dives=20_000)
    shallow, deeper, far = 2.0 / 8, 3.0 / 8, 3.0 / 8
    short, longer, later = 1.0 / 10, 5.0 / 10, 4.0 / 10
    right = {
        "the plan": shallow * short,
        "3 m deeper": deeper * short,
        "5 min longer": shallow * longer,
        "3 m deeper, 5 min longer": deeper * longer,
        "none of them": far + later - far * later,
    }
    assert sum(right.values()) == pytest.approx(1.0)
    assert {slate.name for slate in found.slates} == set(right)
    for slate in found.slates:
        assert slate.taken.share == pytest.approx(right[slate.name], abs=0.012), slate.name
    assert sum(slate.taken.count for slate in found.slates) == 20_000


def test_a_depth_between_two_metres_is_covered_by_its_own_slate():
    """A plan to 49.7 m, dived as planned: rounded to a whole metre it would be deeper than its own slate."""
    found = of(tables(49.7, 15, "18/45", ("50",)), rmv=normal(0.1), dives=200)
    assert {slate.name: slate.taken.count for slate in found.slates if slate.taken.count} == {"the plan": 200}


def test_feet_are_feet():
    """10 ft deeper is the slate of an imperial file: -2 to 18 ft, covered by the plan up to 0 and by its slate up to
    10."""
    given = tables("165 ft", 25, "18/45", ("50",), units="imperial")
    found = of(given, depth=uniform("-2 ft", "18 ft"))
    shares = {slate.name: slate.taken.share for slate in found.slates}
    assert shares["the plan"] == pytest.approx(2.0 / 20, abs=0.02)
    assert shares["10 ft deeper"] == pytest.approx(10.0 / 20, abs=0.03)
    assert shares["none of them"] == pytest.approx(8.0 / 20, abs=0.03)


def test_a_limit_by_hand():
    """Time evenly 5 min less to 5 more, and a limit that the plan meets to the minute: by the slate who is late by any
    time breaks it, half of them; who is early waits."""
    run_time = plan_dive(parse_dive(TRIMIX)).schedule.run_time_min
    given = TRIMIX | {"limits": {"run_time": run_time + 1e-4}}
    found = of(given, time=uniform(-5, 5))
    over = next(one.over for one in found.by_slate.limits if one.name.startswith("run time"))
    assert over.share == pytest.approx(0.5, abs=0.03)
    assert over.low <= 0.5 <= over.high


def test_deeper_is_over_the_limit_of_ppo2():
    """18/45 at 1.43 bar (the limit of 1.4 and the grid's tolerance): 1.43 / 0.18 - 1.01325 bar, at 10 m to the bar
    69.3 m. Of 60 m, evenly 0 to 12 deeper, 9.3 of 12 are not over."""
    given = tables(60, 15, "18/45", ("50",))
    found = of(given, depth=uniform(0, 12))
    over = next(one.over for one in found.recomputed.limits if one.name.startswith("ppO2"))
    limit_m = (1.43 / 0.18 - 1.01325) * 10.0
    assert over.share == pytest.approx((72.0 - limit_m) / 12.0, abs=0.025)


def test_what_cannot_be_dived_is_a_share_and_fails():
    """The second level is left at 30 min, a minute after it is reached with the stops on the way to it. Deeper these
    take longer: such a dive is said to fail, and its gas never to last."""
    levels = [{"depth": 45, "leave_at": 25}, {"depth": 15, "leave_at": 30}]
    given = tables(45, 25, "21/35", ("50",), levels=levels)
    found = of(given, depth=uniform(-10, 10))
    for ascents in (found.recomputed, found.by_slate):
        refused = ascents.refused
        assert 0 < refused.count < refused.of == 4000
        assert ascents.tts_min.of == 4000 - refused.count
        assert ascents.all_last.count <= 4000 - refused.count
        assert all(one.over.count >= refused.count for one in ascents.limits)
    assert found.recomputed.refused == found.by_slate.refused
    # Nor is any contingency met on one: it is dropped from no denominator.
    whole = found.planned_whole
    assert 0 < found.not_planned.count < found.not_planned.of == whole
    for one in found.what_ifs:
        assert one.gas_short.of == one.not_met.of == whole
        assert one.gas_short.count >= found.not_planned.count
        assert one.not_met.count >= found.not_planned.count


# --- Whoever computes it ----------------------------------------------------------------------------------------------


def test_threads_and_chunks_change_no_bit(monkeypatch):
    """One thread, two, and dives at once or some at a time: the same ensemble in every field."""
    given = TRIMIX | {"ensemble": {"dives": 1000}}

    def once(threads, at_once):
        monkeypatch.setattr(made, "AT_ONCE", at_once)
        before = numba.get_num_threads()
        numba.set_num_threads(threads)
        try:
            [found] = run_ensemble(parse_dive(given))
        finally:
            numba.set_num_threads(before)
        return found

    first = once(1, 1000)
    for threads, at_once in ((2, 1000), (1, 300), (2, 77)):
        if threads <= numba.config.NUMBA_NUM_THREADS:
            assert once(threads, at_once) == first, (threads, at_once)


def test_another_seed_is_another_sample():
    one, other = (of(TRIMIX, depth=normal(2), seed=seed, dives=500) for seed in (1, 2))
    assert one.recomputed.tts_min != other.recomputed.tts_min
    assert one.recomputed.tts_min.at(0.5).value == pytest.approx(other.recomputed.tts_min.at(0.5).value, abs=2.0)


# --- What drives it ---------------------------------------------------------------------------------------------------


def test_the_only_input_drives_all(monkeypatch):
    """Of gas left only the RMV; of TTS and the surface nothing, for they never change."""
    monkeypatch.setattr(drivers, "POINTS", 1024)
    found = of(TRIMIX, rmv=normal(0.1), dives=4096)
    tts, gas, surface = found.driven
    assert tts.drivers == surface.drivers == ()
    [driver] = gas.drivers
    assert driver.input == "rmv"
    assert driver.total.value == pytest.approx(1.0, abs=0.05)
    assert gas.name == f"gas left in {TRIMIX['cylinders'][0]['name']}"


def test_gas_is_driven_as_its_variances_say(monkeypatch):
    """A dive without stops, at 20 m: what is breathed goes as RMV (a factor of standard deviation 0.1) times the time
    at depth. 40 min with a standard deviation of 4: both spread it by a tenth, and drive half of it each, a little
    less for the time, since descent and ascent, some 4 % of the gas, do not go with it."""
    monkeypatch.setattr(drivers, "POINTS", 1024)
    found = of(tables(20, 40, "32"), rmv=normal(0.1), time=normal(4), dives=4096)
    gas = next(one for one in found.driven if one.name.startswith("gas"))
    first = {driver.input: driver.first.value for driver in gas.drivers}
    assert first["rmv"] == pytest.approx(0.5, abs=0.06)
    assert first["time"] == pytest.approx(0.5, abs=0.06)
    assert first["rmv"] + first["time"] == pytest.approx(0.995, abs=0.03)


# --- Teams, words, refusals -------------------------------------------------------------------------------------------


def test_every_diver_of_a_team():
    dive = read_dive(EXAMPLES / "marigold-team.toml")
    few = dive.model_copy(update={"ensemble": dive.ensemble.model_copy(update={"dives": 200})})
    found = run_ensemble(few)
    assert [one.diver for one in found] == [diver.name for diver in dive.team]
    depths = [draws.drawn(one.inputs, draws.generator(1), 50)[:, 0] for one in found]
    assert all(np.array_equal(depths[0], others) for others in depths)


def test_contingencies_are_those_of_the_team():
    """A team that shares its bailout, with nothing but the smallest spread: what its plan meets is met, by each diver,
    on the cylinders of all. Alone nobody carries enough."""
    dive = read_dive(EXAMPLES / "marigold-team.toml")
    assert dive.gas.team_bailout
    spreads = {name: Drawn("normal", spread=1e-9) for name in ("depth", "time", "ascent", "rmv", "setpoint")}
    tiny = dive.ensemble.model_copy(update={"dives": 100, "switch": Drawn("as planned"), **spreads})
    found = run_ensemble(dive.model_copy(update={"ensemble": tiny}))
    for one, member in zip(found, plan_team(dive).members, strict=True):
        met = {}
        for c in member.plan.contingencies:
            met[c.kind] = met.get(c.kind, True) and c.holds
        assert met["bailout"]
        assert one.planned_whole == one.not_planned.of == 10
        assert {w.kind: w.not_met.count for w in one.what_ifs} == {kind: 0 if ok else 10 for kind, ok in met.items()}


def test_what_is_heard_meanwhile_and_giving_up():
    heard = []
    run_ensemble(parse_dive(TRIMIX | {"ensemble": {"dives": 200}}), told=lambda *said: heard.append(said))
    assert list(dict.fromkeys(what for what, _, _ in heard)) == ["planning", "dives", "contingencies", "drivers"]
    assert all(0 <= done < of for _, done, of in heard)

    def give_up(what, done, of):
        if what == "contingencies" and done == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run_ensemble(parse_dive(TRIMIX | {"ensemble": {"dives": 200}}), told=give_up)


def test_nothing_to_draw_is_refused():
    with pytest.raises(DiveFileError, match=r"x\.toml: \[ensemble\]: keeps every input as planned"):
        run_ensemble(parse_dive(TRIMIX | {"ensemble": FIXED}), "x.toml")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        (
            {"depth": {"distribution": "uniform", "low": -50, "high": -49.6}},
            "[ensemble] depth: uniform, -50 m to -49.6 m, cut off below -49.5 m: most of it is where this dive cannot "
            "be; stay within -49.5 m to 300 m",
        ),
        (
            {"time": {"distribution": "uniform", "low": -25, "high": -21}},
            "[ensemble] time: uniform, -25 min to -21 min, cut off below -22.5 min: most of it is where this dive "
            "cannot be; stay within -22.5 min to 1440 min",
        ),
    ],
)
def test_a_distribution_out_of_reach_is_refused(given, said):
    """50 m until 25 min, down at 20 m/min: no level is above 0.5 m, and none left before 2.5 min."""
    with pytest.raises(DiveFileError) as refused:
        run_ensemble(parse_dive(TRIMIX | {"ensemble": given}), "x.toml")
    assert said in str(refused.value)


def test_chances_in_words():
    from leadline.ensemble.statistics import Chance

    assert ensemble_words.chance(Chance(0, 10_000, 0.0, 0.000369)) == "0 % (0–0.04)"
    assert ensemble_words.chance(Chance(9949, 10_000, 0.99330, 0.99620)) == "99.49 % (99.33–99.62)"
    assert ensemble_words.chance(Chance(1, 100_000, 0.0000002, 0.00006)) == "0.01 % (0.01–0.01)"
    assert ensemble_words.chance(Chance(3000, 10_000, 0.291, 0.3091)) == "30.0 % (29.1–30.9)"
    assert ensemble_words.chance(Chance(100, 100, 0.9638, 1.0)) == "100 % (96.4–100)"


def test_a_summary_says_what_fails_most():
    found = of(TRIMIX, rmv=uniform(0.5, 1.5), time=normal(3), dives=500)
    said = " ".join(ensemble_words.summary(found))
    assert f"{TRIMIX['cylinders'][0]['name']} fails most" in said
    assert "TTS is" in said
    lines = list(ensemble_words.lines(found.by_slate, found.plan, SYSTEMS["metric"]))
    assert [line.name for line in lines][:2] == ["TTS, min", "Run time, min"]


def test_a_summary_does_not_call_no_slate_a_slate():
    """Always 5 m deeper: the slate for 3 m more covers no dive, nor does any. That none is needed is not said."""
    found = of(TRIMIX, depth=uniform(5, 6), dives=200)
    assert found.slates[-1].taken.count == 200
    said = " ".join(ensemble_words.summary(found))
    assert "No slate covers what was dived: 100 %" in said
    assert "needed most" not in said

"""Oxygen of a day and of several days: NOAA's limits for 24 hours, REPEX's totals, and sums written out by hand."""

import pytest

from leadline.dive_file import parse_dive
from leadline.dive_file.schema import Kept, Previous
from leadline.plan import plan_dive
from leadline.plan.findings import Finding
from leadline.plan.oxygen import (
    Before,
    Oxygen,
    at_surface,
    carried,
    cns_rate,
    day_limit,
    day_rate,
    days_running,
    exposed,
    exposure_limit,
    judge,
    most_otu,
    otu_rate,
)
from leadline.tissue.loading import Dose, Residual, saturated
from tests.authority.published import OXYGEN, rows
from tests.dives import sentence, tables

NOAA, REPEX = OXYGEN["noaa_cns"], OXYGEN["repex"]
DAY_MIN = 1440.0


def judged(exposure, **limits):
    """What is said of an exposure under the limits of a dive file."""
    return judge(parse_dive(tables(30, 20, **({"limits": limits} if limits else {}))), exposure)


@pytest.mark.parametrize(("ppo2_bar", "minutes"), rows(NOAA, "ppo2_bar", "per_24h_min"))
def test_the_limits_of_a_day_are_noaas(ppo2_bar, minutes):
    """NOAA Diving Manual, 4th ed. 2001: the same figures."""
    assert day_limit(ppo2_bar) == minutes
    assert day_rate(ppo2_bar) * minutes == pytest.approx(1.0, rel=1e-15)


@pytest.mark.parametrize(
    ("ppo2_bar", "minutes"),
    [
        (0.55, 720.0),
        (1.05, 285.0),  # (300 + 270) / 2
        (1.32, 204.0),  # 210 - 0.2 · 30
        (1.45, 180.0),  # (180 + 180) / 2
        (1.55, 165.0),  # (180 + 150) / 2
        (1.62, 150.0),  # within the grid's tolerance
    ],
)
def test_between_the_rows_of_a_day_the_limit_is_linear(ppo2_bar, minutes):
    """Hand arithmetic on the NOAA rows. Straight lines between them are common practice, no source."""
    assert day_limit(ppo2_bar) == pytest.approx(minutes, rel=1e-12)


def test_a_day_is_never_under_a_single_exposure():
    """So a dive alone is judged by its CNS, and the share of a day can say nothing that CNS has not said."""
    for ppo2_bar in (0.3 + i / 1000 for i in range(1700)):
        assert day_limit(ppo2_bar) >= exposure_limit(ppo2_bar)
    assert day_rate(0.4) == 0.0


@pytest.mark.parametrize(("days", "most"), rows(REPEX, "days", "most_otu"))
def test_the_totals_are_repexs(days, most):
    """Hamilton, REPEX (from memory): 300 a day from the eleventh on."""
    assert most_otu(days) == most


@pytest.mark.parametrize(
    ("otu", "days"),
    [
        (850.0, 1),
        (851.0, 0),
        (700.0, 2),  # 1400 is within 1400, 2100 over 1860
        (400.0, 6),  # 2400 within 2520, 2800 over 2660
        (310.0, 10),  # 3100 within 3100, 3410 over 3300
        (301.0, 10),  # 3010 within 3100, 3311 over 3300
    ],
)
def test_on_how_many_days_running(otu, days):
    """Multiples of the dose against the totals of REPEX, by hand."""
    assert days_running(otu) == days


# --- Several dives ----------------------------------------------------------------------------------------------------


def at_ppo2(bar: float, minutes: float, before: Before | None = None) -> Oxygen:
    """A dive of so many minutes at one ppO2."""
    cns, otu, day = (rate(bar) * minutes for rate in (cns_rate, otu_rate, day_rate))
    return exposed(100.0 * cns, otu, day, bar, minutes, before)


def after(found: Oxygen, minutes: float, on_oxygen_min: float = 0.0) -> Before:
    return at_surface(found.cns_percent, found.doses, 1.01325, minutes, on_oxygen_min)


def codes(found: list[Finding]) -> list[tuple[str, str]]:
    return [(finding.code, finding.severity) for finding in found]


def test_two_dives_of_a_day_by_hand():
    """Twice 130 min at 1.3 bar, 4 h between: each 130/180 = 72.2 % CNS and 130/210 = 61.9 % of a day (NOAA).

    CNS of the second ends at 72.2 + 72.2 · 2^(-240/90) = 83.6 %: a caution. The day ends at 123.8 %: a no-go.
    OTU: 1.6^(5/6) = 1.4795 a minute, 192.3 a dive, 384.7 together.
    """
    first = at_ppo2(1.3, 130.0)
    assert codes(judged(first)) == []
    assert first.day_percent == pytest.approx(61.905, abs=1e-3)
    second = at_ppo2(1.3, 130.0, after(first, 240.0))
    assert second.cns_percent == pytest.approx(72.2222 * (1.0 + 2.0 ** (-240.0 / 90.0)), abs=1e-3)
    assert second.day_percent == pytest.approx(123.810, abs=1e-3)
    assert second.otu == pytest.approx(384.67, abs=0.02)
    assert codes(judged(second)) == [("cns", "caution"), ("cns-day", "no-go"), ("otu", "caution")]
    message = next(sentence(f) for f in judged(second) if f.code == "cns-day")
    assert "124 %" in message


def test_a_dive_alone_says_nothing_of_a_day_that_cns_does_not_say():
    """At 0.8 bar both limits are 450 min (NOAA): 460 min are over both, and said once."""
    found = at_ppo2(0.8, 460.0)
    assert found.day_percent > 100.0
    assert [code for code, _ in codes(judged(found)) if code != "otu"] == ["cns"]


def test_a_day_is_the_24_hours_before_the_end():
    """A dive of 100 min, and the one before ended 24 h before its end, or a minute less."""
    first = at_ppo2(1.0, 200.0)
    out, within = (at_ppo2(1.0, 100.0, after(first, DAY_MIN - 100.0 - less)) for less in (0.0, 1.0))
    assert (out.otu, within.otu) == pytest.approx((100.0, 300.0))
    assert (out.day_percent, within.day_percent) == pytest.approx((100.0 / 3.0, 100.0))


def test_a_dose_every_day_by_hand():
    """At 1 bar a minute is 1 OTU. 600 a day, a day from end to end: 1200 in two days (1400), 1800 in three (1860), 2400
    in four (2100): over. Each is over 300 and under 850."""
    found = at_ppo2(1.0, 600.0)
    said = [codes(judged(found))]
    for _ in range(3):
        found = at_ppo2(1.0, 600.0, after(found, DAY_MIN - 600.0))
        said.append(codes(judged(found)))
    assert [(of.days, of.otu, of.most_otu) for of in found.windows] == [
        (1, 600.0, 850.0), (2, 1200.0, 1400.0), (3, 1800.0, 1860.0), (4, 2400.0, 2100.0),
    ]  # fmt: skip
    assert [("otu-days", "caution") in one for one in said] == [False, False, False, True]
    assert all(("otu", "caution") in one for one in said)
    [over] = [finding for finding in judged(found) if finding.code == "otu-days"]
    assert sentence(over) == "2400 OTU in the last 4 days is over 2100, the most for 4 days."
    assert over.values == {"otu": 2400.0, "limit": 2100.0, "days": 4.0, "key": "[limits] otu_no_go"}
    assert over.grave
    assert [f.severity for f in judged(found, otu_no_go=850) if f.code == "otu-days"] == ["no-go"]


def test_days_of_rest_count():
    """1400 in two days is all of it (REPEX): 700 again on the third is over 1860, on the fifth within 2300, since the
    days between have taken nothing."""
    for rest_days, over in ((0, True), (2, False)):
        found = at_ppo2(1.0, 700.0)
        found = at_ppo2(1.0, 700.0, after(found, DAY_MIN - 700.0))
        found = at_ppo2(1.0, 700.0, after(found, DAY_MIN * (1 + rest_days) - 700.0))
        assert [of.days for of in found.windows][-1] == 3 + rest_days
        assert (("otu-days", "caution") in codes(judged(found))) == over


def test_what_can_be_repeated_is_said():
    """300 OTU is no caution, 301 is; 400 can be taken on six days (REPEX, above)."""
    assert all(code != "otu" for code, _ in codes(judged(at_ppo2(1.0, 300.0))))
    message = next(sentence(f) for f in judged(at_ppo2(1.0, 400.0)) if f.code == "otu")
    assert message == ("400 OTU is over 300 ([limits] otu_caution); so much can be taken on 6 days running.")


def test_oxygen_at_the_surface_counts_by_hand():
    """60 min on oxygen at 1.01325 bar: 60 · (0.51325/0.5)^(5/6) = 61.32 OTU; of a day 60/(300 - 0.1325 · 30) = 20.27 %.

    It ended when the oxygen did, 120 min before the next dive."""
    before = after(at_ppo2(1.0, 100.0), 180.0, 60.0)
    assert [dose.ago_min for dose in before.doses] == [180.0, 120.0]
    assert before.doses[1].otu == pytest.approx(61.32, abs=0.01)
    assert 100.0 * before.doses[1].day_share == pytest.approx(20.268, abs=1e-3)
    assert before.otu == pytest.approx(161.32, abs=0.01)


# --- Dives of the log -------------------------------------------------------------------------------------------------


def after_the_log(doses, interval=120.0, oxygen=0.0, cns=40.0):
    """Air at 30 m, after a dive of the log that has left these doses."""
    dive = parse_dive(tables(30, 15))
    tissue = tuple(map(tuple, saturated(1.01325).tolist()))
    kept = Kept("The Gull Stack", 0.0, Residual(tissue, cns, tuple(Dose(*dose) for dose in doses)))
    earlier = Previous(log=7, surface_interval=interval, oxygen=oxygen).found_as({"": kept})
    return dive.model_copy(update={"previous": (earlier,)})


def test_what_a_dive_of_the_log_has_left():
    """40 % CNS after 180 min is 10 %; doses grow as old as the interval is long."""
    left = carried(after_the_log([(500.0, 0.3, 1000.0), (200.0, 0.2, 0.0)], 180.0))
    assert left.cns_percent == pytest.approx(10.0)
    assert left.doses == (Dose(500.0, 0.3, 1180.0), Dose(200.0, 0.2, 180.0))
    assert left.otu == 700.0
    assert carried(after_the_log([(500.0, 0.3, 1000.0), (200.0, 0.2, 0.0)], 600.0)).otu == 200.0


def test_the_plan_and_every_contingency_stand_on_the_days_before():
    """700 OTU a day for two days, then a dive on air at 30 m: over 1400 in two days with whatever it takes.

    By hand: air at 4.01325 bar is 0.842 bar of oxygen, 0.684^(5/6) = 0.73 OTU a minute."""
    found = plan_dive(after_the_log([(700.0, 0.4, 1320.0), (700.0, 0.4, 0.0)]))
    assert found.oxygen.otu == pytest.approx(700.0 + 0.73 * 15.0, abs=2.0)
    [grave] = [finding for finding in found.findings if finding.grave and "otu" in finding.code]
    assert (grave.code, grave.severity, grave.values["days"]) == ("otu-days", "caution", 2.0)
    assert all(any(f.code == "otu-days" for f in one.findings) for one in found.contingencies if one.legs)
    rested = plan_dive(after_the_log([(700.0, 0.4, 1320.0), (700.0, 0.4, 0.0)], 3.0 * DAY_MIN))
    assert not any("otu" in finding.code for finding in rested.findings if finding.grave)


def test_the_limits_are_the_divers_own():
    """72.2 % CNS (NOAA: 130 min of 180 at 1.3 bar), 192.3 OTU: by the caution and no-go values of the dive file."""
    found = at_ppo2(1.3, 130.0)
    assert codes(judged(found)) == []
    assert codes(judged(found, cns_caution=70)) == [("cns", "caution")]
    assert codes(judged(found, cns_caution=60, cns_no_go=70, otu_caution=150, otu_no_go=190)) == [
        ("cns", "no-go"), ("otu", "no-go"),
    ]  # fmt: skip
    over = at_ppo2(1.6, 60.0)  # 133 %
    assert codes(judged(over)) == [("cns", "no-go")]
    (never,) = judged(over, cns_no_go="never")
    assert (never.severity, never.grave, never.values["key"]) == ("caution", True, "[limits] cns_caution")

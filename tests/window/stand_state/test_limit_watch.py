"""The nearest limit first, its peak kept, and the time to it at the present trend."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest

from whirlbench.rig.toml import parse_rig
from whirlbench.safety.margins import Margin
from whirlbench.window.stand_state.limit_watch import LONGEST_S, LimitWatch, Nearness, percent

RIG = parse_rig("[limits]\noverspeed_rpm = 5000\ncurrent_a = 100\n")
NONE: dict[str, np.ndarray] = {}


def margin(label: str, share: float) -> Margin:
    keys = {"overspeed": "overspeed_rpm", "current": "current_a"}
    return Margin(label, "", share, 1.0, share, key=keys.get(label, ""))


def look(watch: LimitWatch, time_s: float, fresh: Mapping[str, np.ndarray] = NONE, **shares: float):
    return watch.look(time_s, [margin(name, share) for name, share in shares.items()], "turning", fresh, {})


def test_the_nearest_comes_first_and_what_has_no_reading_before_the_others() -> None:
    found = look(LimitWatch(RIG), 0.0, overspeed=0.3, thrust=math.nan, current=0.9, power=0.5)
    assert [one.margin.label for one in found] == ["current", "thrust", "power", "overspeed"]


def test_margins_that_differ_by_little_keep_their_places() -> None:
    watch = LimitWatch(RIG)
    look(watch, 0.0, overspeed=0.50, current=0.49)
    assert [one.margin.label for one in look(watch, 0.1, overspeed=0.50, current=0.51)] == ["overspeed", "current"]
    assert [one.margin.label for one in look(watch, 0.2, overspeed=0.50, current=0.53)] == ["current", "overspeed"]


def test_the_time_to_a_limit_follows_the_trend() -> None:
    watch = LimitWatch(RIG)
    for step in range(61):
        (found,) = look(watch, 0.05 * step, overspeed=0.5 + 0.02 * 0.05 * step)  # 2 % of the limit a second
    assert found.reach_s == pytest.approx((1.0 - 0.56) / 0.02, rel=1e-6)
    assert found.reach_words() == "limit in 22 s"


def test_no_time_is_told_before_there_is_a_trend_nor_without_a_rise() -> None:
    watch = LimitWatch(RIG)
    (early,) = look(watch, 0.0, overspeed=0.5)
    assert math.isnan(early.reach_s) and early.reach_words() == ""
    for step in range(40):
        (level,) = look(watch, 0.1 * step, overspeed=0.5 - 0.001 * step)
    assert level.reach_s == math.inf and level.reach_words() == "not rising"
    assert Nearness(margin("overspeed", 0.5), reach_s=LONGEST_S + 1).reach_words() == "not rising"
    assert Nearness(margin("overspeed", 1.1), reach_s=0.0).reach_words() == "at the limit"


def test_the_peak_is_held_between_frames_and_begins_anew_with_each_arming() -> None:
    watch = LimitWatch(RIG)
    fresh = {"rpm": np.array([2000.0, 4500.0, 2000.0]), "current_a": np.array([1.0, np.nan, -60.0])}
    look(watch, 0.0, fresh, overspeed=0.4, current=0.01)
    peaks = {one.margin.label: one.peak_share for one in look(watch, 0.1, overspeed=0.3, current=0.01)}
    assert peaks == pytest.approx({"overspeed": 0.9, "current": 0.6})
    for state in ("tripped", "locked", "armed"):
        (found,) = watch.look(1.0, [margin("overspeed", 0.1)], state, NONE, {})
    assert found.peak_share == pytest.approx(0.1)


def test_the_peak_of_a_trip_stays_until_the_next_arming() -> None:
    watch = LimitWatch(RIG)
    look(watch, 0.0, overspeed=1.02)
    for state in ("tripped", "locked"):
        (found,) = watch.look(1.0, [margin("overspeed", 0.0)], state, NONE, {})
    assert found.peak_words() == "peak 102 %"


def test_there_is_no_peak_before_the_first_arming_and_none_grows_after_the_last() -> None:
    watch = LimitWatch(RIG)
    (before,) = watch.look(0.0, [margin("overspeed", 1.9)], "locked", NONE, {})
    assert before.peak_words() == ""
    for time_s, share, state in ((1.0, 0.2, "armed"), (2.0, 0.3, "tripped"), (3.0, 0.9, "locked")):
        (found,) = watch.look(time_s, [margin("overspeed", share)], state, NONE, {})
    assert found.peak_share == pytest.approx(0.3)


def test_what_is_not_read_has_no_figure() -> None:
    blank = Nearness(margin("overspeed", math.nan))
    assert (percent(math.nan), blank.reach_words(), blank.peak_words(), blank.device_words()) == ("", "", "", "")


@pytest.mark.parametrize(("share", "words"), [(0.0, "0 %"), (0.74, "74 %"), (0.9961, "100 %"), (50.0, "999 %")])
def test_a_share_is_never_printed_as_less(share: float, words: str) -> None:
    assert percent(share) == words


def test_the_devices_own_limit_stands_beside_it() -> None:
    (found,) = LimitWatch(RIG).look(0.0, [margin("overspeed", 0.5)], "turning", NONE, {"overspeed_rpm": 4999.6})
    assert found.device_words() == "device 5000"

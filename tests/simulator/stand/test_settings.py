"""From a rig to the truth of a stand, and to random others near it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import steady_truth as truth

from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.simulator.stand import PlantSettings
from whirlbench.simulator.stand.wind import Gusts


def test_a_stand_agrees_with_its_rig(rig, settings):
    assert settings.diameter_m == rig.propeller.diameter_m
    assert settings.drive.volt_s_per_rad == pytest.approx(60 / (2 * np.pi * 560) * 3.2)
    assert settings.air.density_kg_m3 == pytest.approx(1.2026, abs=0.003)  # 18 C, 1009 hPa, 60 %
    assert settings.blades.solidity == pytest.approx(4 * 0.025 / (np.pi * 0.28), rel=1e-6)  # chord at 0.75 radius


def test_changes_replace_fields(rig):
    assert PlantSettings.from_rig(rig, charge=0.5).charge == 0.5


def test_pitch_table_both_ways(settings):
    assert float(settings.pitch_from_pulse(np.array(1500.0))) == pytest.approx(11.0)
    assert float(settings.pulse_for_pitch(np.array(11.0))) == pytest.approx(1500.0)
    wrong = replace(settings, servo=replace(settings.servo, offset_deg=0.4))
    assert float(wrong.pitch_from_pulse(np.array(1500.0))) == pytest.approx(11.4)


def test_a_reversed_pitch_table_is_read_right():
    text = example_rig_text()
    start = text.index("table = [[1000, -4.0]")
    end = text.index("\n", start)
    turned = text[:start] + "table = [[1000, 26.0], [1500, 11.0], [2000, -4.0]]" + text[end:]
    settings = PlantSettings.from_rig(parse_rig(turned))
    assert float(settings.pulse_for_pitch(np.array(20.0))) == pytest.approx(1200.0)
    assert float(settings.pitch_from_pulse(np.array(1200.0))) == pytest.approx(20.0)


def test_printed_blades_need_more_power_and_stall_sooner(settings):
    printed = PlantSettings.from_rig(
        parse_rig(example_rig_text().replace('blade_set = "moulded"', 'blade_set = "printed"'))
    )
    smooth, rough = (truth.steady_at_rpm(item, np.array(4500.0), np.array(8.0)) for item in (settings, printed))
    assert float(rough.cp) > 1.02 * float(smooth.cp)
    assert printed.blades.stall_pitch_deg < settings.blades.stall_pitch_deg - 0.5


def test_no_spread_changes_only_what_is_free_to_choose(settings, rng):
    same = settings.varied(rng, 0.0)
    assert same.drive == settings.drive and same.blades == settings.blades and same.controller == settings.controller
    assert same.stand.unbalance_deg != settings.stand.unbalance_deg


def test_spread_scatters_as_stated(settings, rng):
    inertia = np.log([settings.varied(rng, 0.1).inertia_kg_m2 / settings.inertia_kg_m2 for _ in range(800)])
    assert np.std(inertia) == pytest.approx(0.1, rel=0.1) and abs(inertia.mean()) < 0.015


def test_gusts_are_stationary_from_the_start(rng):
    first = [Gusts(rng, 0.01, 1.5).next() for _ in range(2000)]
    assert np.std(first) == pytest.approx(1.0, rel=0.08)

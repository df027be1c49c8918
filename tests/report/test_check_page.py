"""The page of a strength check: self-contained, and every worked line true."""

from __future__ import annotations

import math
import re
from xml.etree import ElementTree

import pytest

from whirlbench.analysis.strength import StrengthCheck, check_strength, worked_sets
from whirlbench.report.answer_page import answer_page
from whirlbench.results.check import check_answer
from whirlbench.rig.description import Rig
from whirlbench.rig.toml import example_rig_text, parse_rig

ARITHMETIC = re.compile(r"[0-9eE.+\-*/() pi]+")


def page_of(check: StrengthCheck, rig: Rig) -> str:
    """The page as the verb writes it."""
    return answer_page(f"Strength check: {rig.name}", [check_answer(check, rig)])


@pytest.fixture(scope="module")
def rig() -> Rig:
    return parse_rig(example_rig_text())


@pytest.fixture(scope="module")
def check(rig: Rig) -> StrengthCheck:
    return check_strength(rig)


@pytest.fixture(scope="module")
def page(check: StrengthCheck, rig: Rig) -> str:
    return page_of(check, rig)


def test_every_worked_line_gives_its_result(check: StrengthCheck, rig: Rig) -> None:
    """The arithmetic as printed, done again by Python itself, as a reader would with a calculator."""
    for worked in worked_sets(check, rig):
        assert len(worked.lines) > 20
        for line in worked.lines:
            assert ARITHMETIC.fullmatch(line.numbers), line
            value = eval(line.numbers, {"__builtins__": {}}, {"pi": math.pi})
            assert value == pytest.approx(line.result, rel=2e-4), (worked.name, line)


@pytest.mark.parametrize(
    "root",
    [
        'kind = "clamped"\nclamped_length_m = 0.03\nclamp_force_n = 9000\n',
        'kind = "bonded"\nbond_length_m = 0.03\nbond_shear_mpa = 9\n',
    ],
)
def test_other_roots_are_worked_too(root: str) -> None:
    text = (
        "[propeller]\nblades = 2\ndiameter_m = 0.3\n[limits]\noverspeed_rpm = 6000\n[blade_sets.plain]\n"
        'mass_kg = 0.01\ncg_radius_m = 0.07\nmaterial = "moulded_nylon"\n[blade_sets.plain.root]\n'
        f"mouth_radius_m = 0.02\nneck_chord_m = 0.02\nneck_thickness_m = 0.01\n{root}"
    )
    rig = parse_rig(text)
    check = check_strength(rig)
    for line in worked_sets(check, rig)[0].lines:
        assert eval(line.numbers, {"__builtins__": {}}, {"pi": math.pi}) == pytest.approx(line.result, rel=2e-4), line
    assert "Worked by hand" in page_of(check, rig)


@pytest.mark.parametrize("hole_m", [0.0013, 0.003, 0.005])
def test_worked_concentration_holds_for_every_hole(hole_m: float) -> None:
    text = example_rig_text().replace(
        "hole_diameter_m = 0.005\nedge_distance_m = 0.0065", f"hole_diameter_m = {hole_m}\nedge_distance_m = 0.0065"
    )
    changed = parse_rig(text)
    for line in worked_sets(check_strength(changed), changed)[0].lines:
        assert eval(line.numbers, {"__builtins__": {}}, {"pi": math.pi}) == pytest.approx(line.result, rel=5e-4), line


def test_the_page_needs_nothing_from_outside(page: str) -> None:
    assert "<script" not in page
    outside = re.findall(r'(?:src|href)="(?!#)([^"]*)"', page)
    assert outside == []
    assert not re.findall(r"url\((?!#)", page)


def test_drawings_are_sound_xml_with_readable_text(page: str) -> None:
    drawings = re.findall(r"<svg.*?</svg>", page, flags=re.DOTALL)
    assert len(drawings) == 9
    texts = ["".join(ElementTree.fromstring(drawing).itertext()) for drawing in drawings]
    assert "permitted speed (rpm)" in texts[0] and "edge distance" in texts[2] and "plane of rotation" in texts[6]


def test_the_page_tells_the_story(page: str) -> None:
    assert "shear-out across layers" in page and "NOT FIT" in page
    assert "plane of rotation" in page and "keep out" in page
    assert "common practice, no source" in page
    assert "not a licence" in page
    assert page.count("<svg") == 9


def test_a_yawing_stand_is_told(rig: Rig) -> None:
    text = example_rig_text().replace(
        "shaft_height_m = 0.9", "shaft_height_m = 0.9\ncan_yaw = true\nyaw_rate_deg_s = 40"
    )
    yawing = parse_rig(text)
    assert "once a revolution" in page_of(check_strength(yawing), yawing).replace("alternates once a revolution", "")


def test_the_same_check_gives_the_same_page(check: StrengthCheck, rig: Rig, page: str) -> None:
    assert page_of(check, rig) == page


def test_names_with_signs_of_formulas_stay_words() -> None:
    """Two dollar signs in a blade set's title are no formula to be set."""
    changed = parse_rig(example_rig_text().replace('"moulded nylon"', '"from $20 to \\\\frac $30"', 1))
    assert "from $20 to \\frac $30: 6148 rpm" in page_of(check_strength(changed), changed)


def test_a_name_in_the_rig_cannot_become_markup(rig: Rig) -> None:
    text = example_rig_text().replace('quarter-scale crop-duster turboprop"', '<b>stand</b>"', 1)
    hostile = parse_rig(text)
    assert "<b>stand</b>" not in page_of(check_strength(hostile), hostile)

"""The draft of a rig file: every key round the form and back, the parser's own word beside each, comments kept."""

from __future__ import annotations

import pytest

from whirlbench.errors import RigError
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.window.rig_form.rig_draft import RigDraft
from whirlbench.window.rig_form.rig_field import RigField


def fields(draft: RigDraft) -> dict[str, RigField]:
    return {field.path: field for section in draft.sections() for field in draft.fields(section)}


def type_all(draft: RigDraft, values: dict[str, str]) -> None:
    known = fields(draft)
    for path, text in values.items():
        draft.type(known[path], text)


def test_every_value_of_the_example_comes_back_as_it_is_typed() -> None:
    draft = RigDraft(example_rig_text())
    for field in fields(draft).values():
        value = draft.value(field.path)
        assert field.value(field.text(value)) == value, field.path
        draft.type(field, draft.typed(field))
    assert draft.text == example_rig_text() and draft.complaints() == {}


def test_every_key_of_the_example_has_its_field() -> None:
    import tomllib

    def paths(table: dict, above: str = ""):
        for key, value in table.items():
            yield from paths(value, f"{above}{key}.") if isinstance(value, dict) else [above + key]

    assert set(paths(tomllib.loads(example_rig_text()))) <= fields(RigDraft(example_rig_text())).keys()


def test_a_change_keeps_comments_and_everything_else() -> None:
    draft = RigDraft(example_rig_text())
    type_all(
        draft, {"limits.overspeed_rpm": "5500", "pitch.safe_us": "", "stand.check_list": "Extinguisher here\nCat out"}
    )
    before, after = example_rig_text().splitlines(), draft.text.splitlines()
    assert [line for line in before if line not in after] == [
        next(line for line in before if line.startswith("overspeed_rpm")), "safe_us = 1200",
    ]  # fmt: skip
    assert any(line.startswith("overspeed_rpm = 5500") and "nineteen of twenty" in line for line in after)
    rig = parse_rig(draft.text)
    assert rig.pitch.safe_us is None and rig.stand.check_list == ("Extinguisher here", "Cat out")


def test_rows_are_typed_a_line_each() -> None:
    draft = RigDraft(example_rig_text())
    type_all(draft, {
        "pitch.table": "1000, -4\n[1500, 11],\n\n2000, 26", "blade_sets.moulded.sections":
        "radius_m = 0.03, chord_m = 0.024, thickness_m = 0.012\nradius_m = 0.28, chord_m = 0.01, thickness_m = 0.002",
    })  # fmt: skip
    rig = parse_rig(draft.text)
    assert rig.pitch.table == ((1000.0, -4.0), (1500.0, 11.0), (2000.0, 26.0))
    sections = rig.blade_sets["moulded"].sections
    assert sections is not None and [row.radius_m for row in sections] == [0.03, 0.28]


def test_all_that_is_wrong_is_told_each_beside_its_key() -> None:
    draft = RigDraft(example_rig_text())
    wrong = {
        "limits.overspeed_rpm": ("fast", "found 'fast', expected a number above 0"),
        "limits.current_a": ("-3", "found -3, expected a number > 0"),
        "propeller.diameter_m": ("560", "560 mm would be 0.56 m"),
        "propeller.blade_set": ("nobody", "no [blade_sets.nobody]"),
        "pitch.safe_us": ("900", "beyond pitch.table"),
        "modes.flight.rpm": ("5000, 4000", "the first must be below the second"),
        "modes.ground.min_pitch_deg": ("40", ""),
        "throttle.min_us": ("1950", ""),
    }
    type_all(draft, {path: text for path, (text, _) in wrong.items()})
    found = draft.complaints()
    for path, (_, words) in wrong.items():
        assert not words or words in found[path], path
        assert "\n" not in found.get(path, "")
    assert "40 is not below" in found["modes.ground"] and "must rise in that order" in found["throttle"]
    assert draft.typed(fields(draft)["limits.overspeed_rpm"]) == "fast"  # what was typed is not lost
    mended = {"modes.flight.rpm": "3500, 5300", "modes.ground.min_pitch_deg": "2", "propeller.diameter_m": "0.56"}
    type_all(draft, dict.fromkeys(wrong, "") | mended)
    assert draft.complaints() == {}


def test_what_is_no_number_stays_out_of_the_file() -> None:
    draft = RigDraft(example_rig_text())
    for text in ("nan", "inf", "1e300", "90 A", "[", "1,5", '"'):
        type_all(draft, {"limits.current_a": text})
        assert draft.text == example_rig_text() and draft.is_mistyped, text
        found = draft.complaints()
        assert list(found) == ["limits.current_a"] and found["limits.current_a"], text


def test_keys_that_are_missing_are_each_told_in_their_place() -> None:
    draft = RigDraft()
    assert draft.complaints() == {}
    draft.add("blade_sets", "own")
    type_all(draft, {"blade_sets.own.root.kind": "clamped"})
    found = draft.complaints()
    assert {"propeller.blades", "blade_sets.own.root.mouth_radius_m", "blade_sets.own.material"} <= found.keys()
    assert found["blade_sets.own.root.mouth_radius_m"].startswith("is missing (where the blade leaves the jaws")


@pytest.mark.parametrize("name", ["", "a b", "moulded", 'x"y', "a.b"])
def test_a_name_that_is_none_is_refused(name: str) -> None:
    draft = RigDraft(example_rig_text())
    with pytest.raises(RigError, match="expected letters, digits"):
        draft.add("blade_sets", name)
    assert draft.text == example_rig_text()


def test_a_section_is_added_and_taken_away() -> None:
    draft = RigDraft(example_rig_text())
    assert draft.add("modes", "taxi") == "modes.taxi"
    type_all(draft, {"modes.taxi.min_pitch_deg": "x"})
    assert "modes.taxi.min_pitch_deg" in draft.complaints()
    draft.remove("modes.taxi")
    assert draft.complaints() == {} and "modes.taxi" not in draft.sections()


def test_what_is_no_toml_is_refused() -> None:
    with pytest.raises(RigError, match="cannot be changed"):
        RigDraft("[limits\n")

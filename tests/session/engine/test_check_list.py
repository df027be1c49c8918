from whirlbench.log import Proof, TripTrial, protection
from whirlbench.log.proofs import standing_of_proofs
from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import check_list


def test_the_rig_s_own_words_and_words_for_what_it_does_not_say():
    rig = parse_rig(example_rig_text())
    text = "\n".join(check_list(rig))
    assert rig.stand.isolator and rig.stand.isolator in text
    bare = parse_rig(example_rig_text().replace(rig.stand.isolator, "").replace(rig.stand.guard, ""))
    assert any(line.endswith("tried: the isolating switch.") for line in check_list(bare))
    assert any(line.endswith("sound: the guard.") for line in check_list(bare))
    assert "plane of rotation" in text and "local codes" in text and "not a licence" in text


def test_identity_torque_second_cut_proof_and_own_lines():
    text = example_rig_text().replace("[stand]\n", '[stand]\nsecond_cut = "contactor"\ncheck_list = ["Dog indoors."]\n')
    rig = parse_rig(text.replace("[propeller]\n", "[propeller]\nfastener_torque_n_m = 2.5\n"))
    lines = check_list(rig)

    assert "never proved: run `whirlbench trial`" in lines[0]
    assert "moulded" in lines[1] and "2.5 N m" in lines[2] and lines[-1] == "Dog indoors."
    assert any("Second cut tried" in line and line.endswith("contactor.") for line in lines)


def test_what_was_never_proved_as_it_is_now_is_ticked_by_name():
    rig = parse_rig(example_rig_text())
    proof = Proof(rig.name, "board", protection(rig), (TripTrial("overspeed", "card", True),), at="2026-05-01T10:00:00")
    changed = parse_rig(example_rig_text().replace("current_a = 110.0", "current_a = 120.0"))

    assert check_list(rig, standing_of_proofs((proof,), rig))[1] == check_list(rig)[1]
    lines = check_list(changed, standing_of_proofs((proof,), changed))
    assert "2026-05-01 10:00 UTC" in lines[0]
    assert lines[1] == "I arm although limits.current_a was 110, is 120: never proved."

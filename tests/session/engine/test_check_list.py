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

    assert lines[0].startswith("The trips: never proved")
    assert "moulded" in lines[1] and "2.5 N m" in lines[2] and lines[-1] == "Dog indoors."
    assert any("Second cut tried" in line and line.endswith("contactor.") for line in lines)
    assert "tried last week" in check_list(rig, "tried last week")[0]

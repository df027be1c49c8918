from whirlbench.rig.toml import example_rig_text, parse_rig
from whirlbench.session.engine import check_list


def test_the_rig_s_own_words_and_words_for_what_it_does_not_say():
    rig = parse_rig(example_rig_text())
    text = "\n".join(check_list(rig))
    assert rig.stand.isolator and rig.stand.isolator in text
    bare = parse_rig(example_rig_text().replace(rig.stand.isolator, "").replace(rig.stand.guard, ""))
    assert "the isolating switch" in check_list(bare)[0]
    assert "the guard" in check_list(bare)[1]
    assert "plane of rotation" in text and "local codes" in text and "not a licence" in text

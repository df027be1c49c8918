"""Text of fixed width."""

from hypothesis import given
from hypothesis import strategies as st

from whirlbench.errors import shown
from whirlbench.recording.text import cut_text, decoded, fixed, plain

texts = st.text(st.characters(blacklist_categories=("Cs",), blacklist_characters="\0"), max_size=60)


@given(texts, st.integers(4, 20))
def test_pieces_join_to_the_text_and_each_is_valid(text, width):
    pieces = cut_text(text, width)
    assert b"".join(pieces).decode() == text
    assert all(len(piece) <= width and piece.decode() is not None for piece in pieces)


@given(texts, st.integers(7, 20))
def test_a_field_holds_the_text_or_says_that_it_was_cut(text, width):
    field = fixed(text, width)
    assert len(field) <= width
    assert decoded(field) == text or decoded(field).endswith("...")
    assert shown(plain(field), keep="\n\t\r") == plain(field)  # what is an escape already is not escaped again


def test_a_zero_byte_or_a_lone_surrogate_cannot_spoil_a_field():
    assert plain(fixed("a\0b", 8)) == "a b"
    assert plain(fixed("a\ud800b", 8)) == "a?b"
    assert plain(b"\xff\x00") == "\ufffd"

import pytest
from hypothesis import given
from hypothesis import strategies as st

from station.errors import BadInput
from station.text import demand_plain


@pytest.mark.parametrize(
    "text",
    ["", "burr on the anvil", "Prüfling 7 – µΩ", "=1+1", "<script>", "می\u200cخواهم", "👩\u200d🔧"],
)
def test_what_can_be_seen_is_left_as_it_is(text: str) -> None:
    assert demand_plain(text, "the reason") == text


@pytest.mark.parametrize(
    ("text", "named"),
    [
        # Unicode Standard Annex 9, explicit directional overrides; ASCII control characters.
        ("\u202eneddih", "U+202E"),
        ("a\u2067b", "U+2067"),
        ("a\x00b", "U+0000"),
        ("\x1b[31mred", "U+001B"),
        ("\ud800", "U+D800"),
    ],
)
def test_what_cannot_be_seen_is_named(text: str, named: str) -> None:
    with pytest.raises(BadInput, match="Type the reason anew") as refused:
        demand_plain(text, "the reason")
    assert named in str(refused.value)
    assert str(refused.value).isprintable()


@given(st.text(st.characters(exclude_categories=("Cc", "Cf", "Cs"))))
def test_letters_of_every_script_pass(text: str) -> None:
    assert demand_plain(text, "the reason") == text

"""Signs on old code pages."""

import pytest

from knuckle.terminal import plain


@pytest.mark.parametrize(
    ("encoding", "shown"),
    [("utf-8", "−1.5 ± 0.2 °…"), ("ascii", "-1.5 +- 0.2  deg..."), ("cp437", "-1.5 ± 0.2 °...")],
)
def test_signs_fall_back_to_those_of_the_code_page(encoding, shown):
    plain.register()
    assert "−1.5 ± 0.2 °…".encode(encoding, plain.ERRORS).decode(encoding) == shown


def test_what_has_no_stand_in_is_a_question_mark():
    plain.register()
    assert "x☃".encode("ascii", plain.ERRORS) == b"x?"

"""A fixed slice of the study of sags: all are found, and hardly any is invented."""

from tests.adversary.sag_study import study


def test_every_sag_is_found_and_hardly_any_is_invented():
    made, lost, extra, invented = study()
    assert made >= 1000
    assert lost == 0
    assert extra <= 2
    assert invented <= 2

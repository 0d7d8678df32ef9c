"""A lab book for the forms: an empty folder of burns."""

import pytest


@pytest.fixture
def book(tmp_path):
    (tmp_path / "burns").mkdir()
    return tmp_path

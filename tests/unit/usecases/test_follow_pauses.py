"""How long whoever follows a store leaves it in peace."""

from __future__ import annotations

import pytest

from service.usecases.follow import EVERY, LONGEST_PAUSE, SHARE, pause_after


@pytest.mark.parametrize(
    ("spent", "share", "pause"),
    [
        (0.0, SHARE, EVERY),
        (0.2, SHARE, 1.8),
        (0.2, SHARE / 4, 7.8),
        (60.0, SHARE, LONGEST_PAUSE),
    ],
)
def test_reading_takes_its_share_of_the_time_and_is_never_put_off_for_long(
    spent: float, share: float, pause: float
) -> None:
    assert pause_after(spent, share) == pytest.approx(pause)

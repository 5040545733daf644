"""Damage to logs as other people write them: right figures, a caution, or one line of refusal."""

import pytest

from tests.properties import devices, handling  # noqa: F401 - enter their kinds of damage
from tests.properties.foreign import DAMAGE, judge_beside
from tests.properties.semantic import DAMAGES, HANDS, make
from tests.properties.test_semantic import seeded


@pytest.mark.parametrize("hand", HANDS)
def test_a_sound_log_in_another_hand_gives_its_figures(tmp_path, hand):
    """Loops and parts of the robot that was played, whatever columns and lines are called."""
    for seed in range(2):
        made = make(hand, seeded("clean", hand, seed), 300)
        found = judge_beside(made, made, tmp_path / "log.txt")
        assert found.kind == "right", found.text


@pytest.mark.parametrize("name", DAMAGE)
def test_damage_in_another_hand_gives_no_wrong_figure_in_silence(tmp_path, name):
    """Each kind of damage in each hand: right, said, or refused in one line."""
    for hand in HANDS:
        rng = seeded(name, hand, 12)
        sound = make(hand, rng, 300)
        damaged = DAMAGES[name](sound, rng)
        if damaged is not None:
            found = judge_beside(sound, damaged, tmp_path / "log.txt")
            assert found.kind in ("right", "said", "refused"), f"{hand}: {found.text}"
